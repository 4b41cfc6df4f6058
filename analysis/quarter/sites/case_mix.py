"""Observed against expected by site: a model of the case mix fitted on the whole, and estimates shrunk towards it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import stats
from scipy.special import expit, logit

from analysis.errors import ModelError
from analysis.quarter.sites.site_effects import shrink
from analysis.result import ResultWithNotes
from analysis.statistics.proportions import check_level

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

#: Columns of patients that stand for the case mix where they are there (design choice: known before the programme).
COVARIATES = ("baseline", "age_years", "sex", "body_mass_kg", "procedure")
#: Weight of a weak penalty on standardised coefficients: keeps them finite where a covariate parts the outcomes.
_PENALTY = 0.01
_MOST_LEVELS = 8


@dataclass(frozen=True, eq=False, repr=False)
class CaseMix(ResultWithNotes):
    """Observed against expected.

    Attributes
    ----------
    table : pandas.DataFrame
        One row a site in the order given: site, n, observed, expected, ratio (observed over expected), adjusted (share
        of the whole, moved by what the log odds of the site differ after adjustment, not shrunk; 0 or 1 where nobody
        or everybody reached the outcome), estimate, lower, upper (the same, shrunk), shrinkage (0 kept as it is, 1 all
        the way to the whole), tail (twice the smaller part of what is held likely of the site that lies on one side of the
        whole), level, method.
    covariates : tuple of str
        What the model adjusts for.
    share : float
        Outcome of the whole.
    between_sites : float
        Standard deviation of the sites on the scale of log odds, after adjustment; its posterior mean.
    concordance : float
        How well the model tells the outcomes apart: 0.5 not at all, 1 wholly.
    """

    table: pd.DataFrame
    covariates: tuple[str, ...]
    share: float
    between_sites: float
    concordance: float

    @property
    def is_adjusted(self) -> bool:
        """Whether anything was adjusted for, here or, where expected counts were given, by who sent them."""
        return bool(self.covariates) or bool(np.isnan(self.concordance))

    @property
    def apart(self) -> pd.DataFrame:
        """The sites whose interval leaves out the whole."""
        return self.table[(self.table["lower"] > self.share) | (self.table["upper"] < self.share)]

    def _headline(self) -> str:
        return f"Observed against expected, {len(self.table)} sites"


def case_mix(
    patients: pd.DataFrame,
    *,
    covariates: Sequence[str] = COVARIATES,
    compared: pd.Series | None = None,
    shown: Sequence[str] | None = None,
    share: float | None = None,
    level: float = 0.95,
) -> CaseMix:
    """Compare the sites with what their patients would be expected to reach.

    Parameters
    ----------
    patients : pandas.DataFrame
        One row a patient: site, outcome (0 or 1), and covariates. A missing number counts as the mean, a missing label
        as a label of its own, so that nobody is left out.
    covariates : sequence of str
        Columns to adjust for, those that are there and vary.
    compared : pandas.Series of bool, optional
        Patients that sites are compared by, for example those of the last quarters; the model is fitted on all, with
        a term for these, so that sites are set against each other and not against earlier times.
    shown : sequence of str, optional
        Sites that may be shown, in their order; by default all by name. The spread between sites comes from them.
    share : float, optional
        Outcome of the whole that sites are set against; by default that of all patients.
    level : float
        Level of the intervals.

    Returns
    -------
    CaseMix
        Sites by name, never by result: the data do not support a ranking.

    Raises
    ------
    ModelError
        Nobody, or everybody, has the outcome; or no site may be shown.

    Notes
    -----
    Logistic regression on the whole without the sites. How far the log odds of a site lie from it, and how much of that is
    kept: :func:`analysis.quarter.sites.site_effects.shrink`.

    Examples
    --------
    >>> frame = pd.DataFrame({"site": ["a"] * 40 + ["b"] * 40, "outcome": [1, 0] * 20 + [1, 1, 1, 0] * 10,
    ...                       "age_years": [30.0, 50.0] * 40})
    >>> found = case_mix(frame)
    >>> found.table["observed"].tolist(), round(float(found.table["expected"].sum()), 6)
    ([20.0, 30.0], 50.0)
    """
    check_level(level)
    outcome = patients["outcome"].to_numpy(dtype=float)
    if not 0 < outcome.sum() < len(outcome):
        raise ModelError(
            "Nobody has the outcome, or everybody: there is no case mix to adjust for.",
            where=f"outcome of {len(outcome):,} patients",
            what_to_do="Choose an outcome that some reach and others do not.",
        )
    design, used = _design(patients, covariates)
    inside = np.ones(len(patients), dtype=bool) if compared is None else compared.to_numpy(dtype=bool)
    if not inside.all():  # the compared as a whole reach what is expected of them
        design = np.column_stack([design[:, :1], inside, design[:, 1:]])
    expected = expit(design @ fit_logistic(design, outcome, free=1 if inside.all() else 2))
    rows = pd.DataFrame({"site": patients["site"].astype("str"), "observed": outcome, "expected": expected, "n": 1.0})[
        inside
    ]
    chances = {str(site): one.to_numpy() for site, one in rows.groupby("site")["expected"]}
    sums = rows.groupby("site")[["n", "observed", "expected"]].sum()
    wanted = list(shown) if shown is not None else sorted(sums.index)
    table = sums.loc[[one for one in wanted if one in sums.index]].reset_index()
    if table.empty:
        raise ModelError(
            "No site may be shown, so sites cannot be compared.",
            where="sites of the quarter",
            what_to_do="Compare sites over more quarters.",
        )
    whole = float(outcome.mean()) if share is None else share
    table, between = shrink(table, [chances[site] for site in table["site"]], whole, level=level)
    note = (
        f"Expected: logistic regression on all patients with a known outcome, sites left out of the model, adjusted for "
        f"{', '.join(_WORDS.get(one, one.replace('_', ' ')) for one in used) or 'nothing, since no covariate is there'}."
    )
    concordance = _concordance(outcome, expected)
    notes = (
        note,
        (
            f"The model tells outcomes apart with a concordance of {concordance:.2f} (0.5 is not at all, 1 wholly); what it "
            "does not hold stays in the differences."
        ),
        (
            "Estimates are shrunk towards the whole, those of small sites most. Sites stand by name: the intervals do not "
            "support a ranking."
        ),
    )
    return CaseMix(table, tuple(used), whole, between, concordance, notes=notes)


_WORDS = {
    "baseline": "the value at the start", "age_years": "age", "sex": "sex", "body_mass_kg": "body mass",
    "procedure": "procedure",
}  # fmt: skip


def _design(patients: pd.DataFrame, covariates: Sequence[str]) -> tuple[NDArray[np.float64], list[str]]:
    columns: list[NDArray[np.float64]] = [np.ones(len(patients))]
    used: list[str] = []
    for name in covariates:
        if name not in patients:
            continue
        values = patients[name]
        if pd.api.types.is_numeric_dtype(values):
            numbers = values.astype(float)
            spread = float(numbers.std(ddof=0))
            scaled = ((numbers - numbers.mean()) / (spread or 1.0)).fillna(0.0)
            new = [np.asarray(scaled, dtype=float)] if spread > 0 else []
        else:
            labels = values.astype("str").where(values.notna(), "missing")
            common = labels.value_counts().index[1:_MOST_LEVELS]
            new = [np.asarray(labels == one, dtype=float) for one in common]
        if new:
            columns += new
            used.append(name)
    return np.column_stack(columns), used


def fit_logistic(design: NDArray[np.float64], outcome: NDArray[np.float64], *, free: int = 1) -> NDArray[np.float64]:
    """Fit the logistic regression by Newton's method, a weak penalty on all coefficients but the first ones."""
    penalty = np.full(design.shape[1], _PENALTY)
    penalty[:free] = 0.0
    estimate = np.zeros(design.shape[1])
    estimate[0] = logit(outcome.mean())
    for _ in range(100):
        fitted = expit(design @ estimate)
        score = design.T @ (outcome - fitted) - penalty * estimate
        information = (design * (fitted * (1 - fitted))[:, None]).T @ design + np.diag(penalty)
        step = np.linalg.solve(information, score)
        estimate = estimate + step * min(1.0, 4.0 / max(float(np.abs(step).max()), 1e-12))
        if np.abs(step).max() < 1e-10:
            return estimate
    raise ModelError(
        "The model of the case mix did not converge.",
        where=f"{len(outcome):,} patients",
        what_to_do="Leave out covariates that part those with the outcome from those without.",
    )


def _concordance(outcome: NDArray[np.float64], expected: NDArray[np.float64]) -> float:
    with_it, without = expected[outcome == 1], expected[outcome != 1]
    return float(stats.mannwhitneyu(with_it, without).statistic / (len(with_it) * len(without)))
