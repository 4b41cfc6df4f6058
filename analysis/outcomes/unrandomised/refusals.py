"""Where no comparison of protocols is made, in words, with what to do instead; and cautions where one is made."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import pandas as pd

from analysis.counted import counted, form
from analysis.errors import ModelError

#: Fewer patients of a protocol than this are not compared at all (design choice).
FEWEST_PATIENTS = 10
#: The weights of a protocol stand for so many patients at least (design choice; coverage in simulations had no sharp edge).
FEWEST_EFFECTIVE = 20.0
#: One patient has at most this share of a protocol's weight, where the target is not overlap (design choice).
MOST_OF_ONE = 0.20
#: Effective over actual patients, at least, where the target is not overlap (design choice).
LEAST_KEPT = 0.25
#: Mean of the overlap tilting function over its largest value, at least: of two protocols of 4 e (1 - e) (design choice).
LEAST_OVERLAP = 0.25
#: Standardised differences after weighting: a caution above the first, a refusal above the second (design choice).
SMD_CAUTION, SMD_REFUSED = 0.1, 0.25
#: The ratio of variances after weighting lies between these (design choice).
RATIO_LOWEST, RATIO_HIGHEST = 0.5, 2.0
#: Jackknife over sandwich error above this: a few patients carry the result (design choice).
ERRORS_APART = 1.3
#: Patients named in an error at most.
MOST_NAMED = 5
_OTHER_TARGETS = (
    'Use target="overlap", name fewer covariates or merge their labels, or leave out a site that used one protocol.'
)
_NO_OVERLAP = (
    "Name fewer covariates, merge labels, or leave out sites or patients whom one protocol only was open to; otherwise these "
    "protocols were given to different patients, and no comparison is honest."
)


@dataclass(frozen=True)
class Refusal:
    """Why no comparison of recovery is made.

    ``of`` says what is lacking: patients (no comparison of any kind), even weights, or balance. ``patients`` are named in the error
    alone, as results show no patient.
    """

    of: Literal["patients", "weights", "balance"]
    what: str
    where: str
    what_to_do: str
    patients: tuple[str, ...] = ()

    def note(self) -> str:
        """Give it as a sentence beside numbers that are given all the same."""
        return f"Not good enough to compare recovery: {self.what} {self.where[:1].upper()}{self.where[1:]}. {self.what_to_do}"

    def error(self) -> ModelError:
        """Give it as the error that is raised."""
        more = " ..." if len(self.patients) > MOST_NAMED else ""
        named = f": {', '.join(self.patients[:MOST_NAMED])}{more}" if self.patients else ""
        return ModelError(self.what, where=self.where + named, what_to_do=self.what_to_do)


def refuse_few(protocol: pd.Series) -> None:
    """Refuse one protocol alone, and a protocol of few patients.

    Raises
    ------
    ModelError
        As said.

    Examples
    --------
    >>> refuse_few(pd.Series(["a"] * 30 + ["b"] * 3, dtype="category"))
    Traceback (most recent call last):
    ...
    analysis.errors.ModelError: Protocol 'b' has 3 patients, too few to be compared.
      where: patients: a 30, b 3
      what to do: Leave the protocol out, or join protocols; 10 patients or more are asked for.
    """
    sizes = protocol.value_counts().reindex(protocol.cat.categories)
    said = f"patients: {', '.join(f'{name} {count}' for name, count in sizes.items())}"
    if len(sizes) < 2:
        raise ModelError(
            "There is one protocol only, so nothing can be compared.",
            where=said,
            what_to_do="Give patients of two protocols or more.",
        )
    few = sizes[sizes < FEWEST_PATIENTS]
    if len(few):
        raise ModelError(
            f"Protocol {few.index[0]!r} has {counted(int(few.iloc[0]), 'patient')}, too few to be compared.",
            where=said,
            what_to_do=f"Leave the protocol out, or join protocols; {FEWEST_PATIENTS} patients or more are asked for.",
        )


def refuse_empty_cells(labels: pd.Series, protocol: pd.Series, name: str) -> None:
    """Refuse a covariate with a label that some protocol has nobody of.

    Raises
    ------
    ModelError
        As said.

    Examples
    --------
    >>> refuse_empty_cells(pd.Series(["A", "A", "B"]), pd.Series(["x", "y", "x"], dtype="category"), "site")
    Traceback (most recent call last):
    ...
    analysis.errors.ModelError: Protocol 'y' was given at one label of 'site' alone: A.
      where: patients: site A x 1, y 1; site B x 1, y 0
      what to do: Compare within that label, leave the protocol or the covariate out, or merge labels.
    """
    cells = (
        pd.DataFrame({"label": labels.to_numpy(), "protocol": protocol.astype("str").to_numpy()})
        .groupby(["label", "protocol"])
        .size()
        .unstack(fill_value=0)
    )
    if (cells > 0).all(axis=None):
        return
    where = "; ".join(
        f"{name} {label} " + ", ".join(f"{one} {count}" for one, count in row.items())
        for label, row in cells.iterrows()
    )
    for one in cells:
        here = cells.index[cells[one] > 0]
        if len(here) == 1 and len(cells) > 1:
            raise ModelError(
                f"Protocol {one!r} was given at one label of {name!r} alone: {here[0]}.",
                where=f"patients: {where}",
                what_to_do="Compare within that label, leave the protocol or the covariate out, or merge labels.",
            )
    empty = [(label, one) for label, row in cells.iterrows() for one, count in row.items() if not count]
    label, one = empty[0]
    raise ModelError(
        f"No patient of {name} {label!r} had protocol {one!r}, so there is nobody to compare those patients with.",
        where=f"patients: {where}",
        what_to_do=f"Merge labels of {name!r}, or leave the patients of this label out.",
    )


def refusals_of(
    overlap: pd.DataFrame, balance: pd.DataFrame, *, target: str, mean_overlap: float, outside: Sequence[str]
) -> list[Refusal]:
    """Give every reason not to compare, first those of the weights.

    Parameters
    ----------
    overlap, balance : DataFrame
        As of :class:`BalanceWeights`.
    target : str
        As asked for.
    mean_overlap : float
        As of :class:`BalanceWeights`.
    outside : sequence of str
        Patients with a score outside what was seen in every protocol.
    """
    return [*_of_weights(overlap, target, mean_overlap, outside), *_of_balance(balance)]


def _of_weights(overlap: pd.DataFrame, target: str, mean_overlap: float, outside: Sequence[str]) -> list[Refusal]:
    between = target in ("overlap", "matching")
    advice = _NO_OVERLAP if between else _OTHER_TARGETS
    found = []
    for name, n, ess, share in overlap[["protocol", "n", "ess", "largest_share"]].itertuples(index=False, name=None):
        where = f"protocol {name}: {counted(int(n), 'patient')}, effective {ess:.1f}, largest share {100 * share:.0f} %"
        if ess < FEWEST_EFFECTIVE:
            of: Literal["patients", "weights"] = "patients"
            what = f"After weighting, protocol {name!r} stands for fewer than {FEWEST_EFFECTIVE:g} patients."
        elif not between and share > MOST_OF_ONE:
            of = "patients"
            what = f"One patient of protocol {name!r} has more than {100 * MOST_OF_ONE:g} % of its weight."
        elif not between and ess < LEAST_KEPT * n:
            of = "weights"
            what = f"After weighting, protocol {name!r} stands for less than a quarter of its patients."
        else:
            continue
        found.append(Refusal(of, what, where, advice))
    if between and mean_overlap < LEAST_OVERLAP:
        n = int(overlap["n"].sum())
        where = (
            f"overlap {mean_overlap:.2f} of 1, {LEAST_OVERLAP:g} is asked for; scores of {len(outside)} of "
            f"{counted(n, 'patient')} {form(len(outside), 'lies', 'lie')} outside what every protocol had"
        )
        found.append(Refusal("patients", "Few patients could have had every protocol.", where, advice, tuple(outside)))
    return found


def _of_balance(balance: pd.DataFrame) -> list[Refusal]:
    found = []
    values = balance[balance["term"] != "squared"]
    far = values[values["smd_after"].abs() > SMD_REFUSED]
    if len(far):
        where = "; ".join(_term(row, f"{row['smd_after']:.2f} standard deviations") for _, row in far.iterrows())
        what = f"After weighting the protocols still differ by more than {SMD_REFUSED:g} standard deviations."
        found.append(Refusal("balance", what, where, _OTHER_TARGETS))
    ratio = balance["variance_ratio"]
    uneven = balance[(ratio < RATIO_LOWEST) | (ratio > RATIO_HIGHEST)]
    if len(uneven):
        where = "; ".join(_term(row, f"ratio {row['variance_ratio']:.2f}") for _, row in uneven.iterrows())
        name = uneven["covariate"].iloc[0]
        what = (
            "After weighting the spread of a covariate still differs: its variances have a ratio outside "
            f"{RATIO_LOWEST:g} to {RATIO_HIGHEST:g}."
        )
        advice = f'Name it as a curve, "spline({name})"; if it is one, name another target or leave out patients at its ends.'
        found.append(Refusal("balance", what, where, advice))
    return found


def uneven_spread(balance: pd.DataFrame) -> dict[str, float]:
    """Give the numbers whose spread the weights leave uneven, with the ratio of variances that is furthest from 1.

    Examples
    --------
    >>> uneven_spread(pd.DataFrame({"covariate": ["age", "age", "height"], "variance_ratio": [2.5, 0.9, 1.2]}))
    {'age': 2.5}
    """
    ratio = balance["variance_ratio"]
    uneven = balance[(ratio < RATIO_LOWEST) | (ratio > RATIO_HIGHEST)]
    found: dict[str, float] = {}
    for name, one in zip(uneven["covariate"].astype("str"), uneven["variance_ratio"].astype("float64"), strict=True):
        if name not in found or max(one, 1 / one) > max(found[name], 1 / found[name]):
            found[name] = one
    return found


def cautions_of(balance: pd.DataFrame) -> list[str]:
    """Give what is not balanced well, in sentences; one that says so where every term is.

    Examples
    --------
    >>> balance = pd.DataFrame({"covariate": ["age"], "term": ["value"], "pair": ["b - a"], "smd_after": [0.01]})
    >>> cautions_of(balance)
    ['After weighting no standardised difference of 1 looked at is above 0.1.']
    """
    size = balance["smd_after"].abs()
    above = balance[size > SMD_CAUTION]
    looked = len(balance)
    if not len(above):
        return [f"After weighting no standardised difference of {looked} looked at is above {SMD_CAUTION:g}."]
    largest = above.iloc[int(above["smd_after"].abs().to_numpy().argmax())]
    return [
        (
            f"Not balanced: after weighting {len(above)} of {looked} standardised differences {form(len(above), 'is', 'are')} above "
            f"{SMD_CAUTION:g}, the largest {_term(largest, format(largest['smd_after'], '.2f'))}."
        )
    ]


def _term(row: pd.Series, said: str) -> str:
    term = "" if row["term"] == "value" else f" {row['term']}"
    return f"{row['covariate']}{term} ({row['pair']}) {said}"
