"""What is said beside a comparison of protocols that nobody drew lots for."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from analysis.cohort.schedule import moment
from analysis.counted import counted, form
from analysis.outcomes.unrandomised.adjusted_means import NOT_RANDOMISED
from analysis.outcomes.unrandomised.balance_weights import BalanceWeights
from analysis.outcomes.unrandomised.estimated import errors_in_words

#: Who the target is, in words; a protocol is named by itself.
_TARGETS = {
    "overlap": "patients for whom every protocol compared was in use (overlap weights)",
    "everybody": "all patients compared",
    "matching": "patients whom matching would keep (matching weights)",
}


def target_in_words(target: str) -> str:
    """Say whom a comparison speaks of.

    Examples
    --------
    >>> target_in_words("early motion")
    "patients like those of protocol 'early motion'"
    """
    return _TARGETS.get(target, f"patients like those of protocol {target!r}")


def notes_of(
    weighting: BalanceWeights,
    differences: pd.DataFrame,
    filled: pd.DataFrame,
    *,
    model: Sequence[str],
    left_out: Sequence[str],
) -> tuple[str, ...]:
    """Give the sentences, the ones that change the reading first."""
    overlap = weighting.overlap
    stand = ", ".join(
        f"{name} {ess:.1f} of {n}"
        for name, ess, n in zip(overlap["protocol"], overlap["ess"], overlap["n"], strict=True)
    )
    missed, expected = int(filled["filled"].sum()), int(filled["n"].sum())
    return (
        NOT_RANDOMISED,
        *errors_in_words(differences),
        f"It speaks of {target_in_words(weighting.target)}; effective patients: {stand}.",
        *_strengths(differences),
        (
            f"Of {counted(expected, 'visit')} at these weeks {missed:,} {form(missed, 'was', 'were')} missed; each has the mean that the "
            "mixed model expects given the patient's covariates and visits."
        ),
        f"Balanced and adjusted for: {', '.join(weighting.covariates)}.",
        *model,
        *left_out,
        *weighting.notes,
    )


def _strengths(differences: pd.DataFrame) -> list[str]:
    """Say at the last week how strong an unlisted factor would have to be."""
    last = differences[differences["week"] == differences["week"].max()]
    return [
        f"To explain the difference of {row['protocol']} from {row['reference']} at {moment(float(row['week']))} away, an unlisted factor "
        f"would need a risk ratio of {row['e_value']:.2f} with both protocol and outcome; to bring the nearer limit to none, "
        f"{row['e_value_limit']:.2f}."
        for _, row in last.iterrows()
    ]
