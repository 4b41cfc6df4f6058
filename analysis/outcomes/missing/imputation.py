"""Imputation from the joint model of visits: missing at random, or as if a patient had had the reference protocol."""

from collections.abc import Iterator, Sequence
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from analysis.errors import ModelError, check_choice
from analysis.outcomes.missing.gaps import Gaps
from analysis.outcomes.missing.weekly_model import WeeklyModel

Floats = NDArray[np.float64]

Assumption = Literal[
    "missing at random", "jump to reference", "copy reference", "copy increments in reference"
]  # fmt: skip


#: The assumption that needs no reference.
AT_RANDOM: Assumption = "missing at random"


def imputations(
    model: WeeklyModel,
    number: int,
    rng: np.random.Generator,
    *,
    assumption: Assumption = "missing at random",
    reference: str | None = None,
    places: Sequence[int] | None = None,
) -> Iterator[Floats]:
    """Fill the gaps of all patients, again and again, each time with newly drawn parameters.

    Parameters
    ----------
    model : WeeklyModel
        The joint model of all scheduled visits.
    number : int
        How many completed data sets.
    rng : numpy.random.Generator
        Where chance comes from.
    assumption : {"missing at random", "jump to reference", "copy reference", "copy increments in reference"}
        What is assumed of the visits after the last one that a patient made. Gaps before it are missing at random.
    reference : str, optional
        The protocol that the assumptions about the reference speak of; missing at random needs none.
    places : sequence of int, optional
        Places of the weeks whose gaps are filled; the others stay missing. All by default; a few are faster.

    Yields
    ------
    ndarray, shape (patients, weeks)
        The values seen, and the gaps filled, in the order of ``model.patients`` and ``model.weeks``.

    Raises
    ------
    ModelError
        An assumption or a protocol that is not known, or an assumption about the reference and none is named.

    Notes
    -----
    Carpenter, Roger & Kenward, J Biopharm Stat 2013;23:1352. Given the parameters of a draw, a patient's visits are
    normal with a mean built from the patient's own protocol and the reference, and the gaps are drawn given what was
    seen. Jump to reference: after the last visit the mean of the reference. Copy reference: the mean of the reference
    after the start throughout. Copy increments: from the last visit on, the mean changes as that of the reference
    does. The baseline keeps the mean of the patient's own protocol. Where the measure has no baseline, the protocols have
    parted before the first visit: a patient who was never seen has the means of the reference throughout.

    Examples
    --------
    >>> from analysis.outcomes.missing.weekly_model import fit_weekly
    >>> from synthetic_cohort import generate_cohort
    >>> model = fit_weekly(generate_cohort(patients=120, seed=1).observed, "pain")
    >>> filled = next(imputations(model, 1, np.random.default_rng(1)))
    >>> filled.shape, bool(np.isfinite(filled).all())
    ((120, 7), True)
    """
    check_choice(assumption, get_args(Assumption), "assumption", error=ModelError)
    if reference is None and assumption != AT_RANDOM:
        raise ModelError(
            f"To {assumption} a reference must be named.",
            where=f"protocols: {', '.join(model.protocols)}",
            what_to_do="Name one of these.",
        )
    if reference is not None and reference not in model.protocols:
        raise ModelError(
            f"There is no protocol {reference!r}.",
            where=f"protocols: {', '.join(model.protocols)}",
            what_to_do="Name one of these.",
        )
    own, kind = model.design(), model.kinds[1]
    like_reference = own if assumption == AT_RANDOM else model.design(protocol=reference)
    every = list(range(len(model.weeks)))
    gaps = Gaps(model.values, every if places is None else list(places))
    kind, baseline = kind[gaps.rows], model.has_baseline
    for coefficients, covariance in model.draws(number, rng):
        mean, other = own @ coefficients, like_reference @ coefficients
        if assumption == AT_RANDOM:
            expected = mean[kind]
        else:
            means = [expected_means(mean, other, one, assumption, baseline=baseline) for one in gaps.seen]
            expected = np.array(means).reshape(-1, *mean.shape)[gaps.pattern, kind]
        yield gaps.fill(expected, covariance, rng)


def expected_means(
    own: Floats, reference: Floats, seen: NDArray[np.bool_], assumption: Assumption, *, baseline: bool = True
) -> Floats:
    """Give the mean that an assumption takes for patients seen at some weeks.

    Parameters
    ----------
    own, reference : ndarray, shape (kinds of patients, weeks)
        Means under the patients' own protocol and under the reference.
    seen : ndarray of bool, shape (weeks,)
        The weeks seen.
    assumption : str
        As in :func:`imputations`.
    baseline : bool
        Whether the first week is the baseline, which keeps the mean of the own protocol.

    Returns
    -------
    ndarray, shape (kinds of patients, weeks)

    Examples
    --------
    >>> own, reference = np.array([[0.0, 5.0, 9.0]]), np.array([[1.0, 3.0, 4.0]])
    >>> seen = np.array([True, True, False])
    >>> for name in ("jump to reference", "copy reference", "copy increments in reference"):
    ...     print(name, expected_means(own, reference, seen, name)[0].tolist())
    jump to reference [0.0, 5.0, 4.0]
    copy reference [0.0, 3.0, 4.0]
    copy increments in reference [0.0, 5.0, 6.0]
    """
    if assumption == "missing at random":
        return own
    first = 1 if baseline else 0
    last = int(np.flatnonzero(seen)[-1]) if seen.any() else first - 1
    mean = own.copy()
    if assumption == "copy reference" or last < 0:
        mean[:, first:] = reference[:, first:]
    elif assumption == "jump to reference":
        mean[:, last + 1 :] = reference[:, last + 1 :]
    else:
        mean[:, last + 1 :] = own[:, [last]] + reference[:, last + 1 :] - reference[:, [last]]
    return mean


def reference_needed(first: str) -> str:
    """Say why no visit was filled as if under the reference, and how to name it.

    Examples
    --------
    >>> reference_needed("early").split(":")[0]
    'Jump to reference, copy reference and copy increments in reference are left out'
    """
    return (
        "Jump to reference, copy reference and copy increments in reference are left out: no protocol is named as the "
        f"reference, and that {first} comes first in the data is no reason to take it for one. Name it in the map file "
        '(reference = "..."), in the cohort (reference="...") or for this analysis.'
    )
