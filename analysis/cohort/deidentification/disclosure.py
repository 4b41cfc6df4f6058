"""Disclosure risk: how many patients share what others may know of them, and what generalisation would change."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import pandas as pd

from analysis.cohort.tables import Cohort
from analysis.errors import CohortError
from analysis.progress import steps
from analysis.result import Result

#: Combinations of fewer patients than this are rare: no cell of 1 to 10 is shown (cell size suppression policy of the
#: Centers for Medicare & Medicaid Services).
FEWEST_PATIENTS = 11
QUASI_IDENTIFIERS = ("age_band", "sex", "site", "procedure", "quarter", "due_week", "language", "distance_band")
_MISSING, _OTHER = "not recorded", "other"
_BAND, _WIDE_BAND, _OLDEST = 10, 20, 90

CAUTION = (
    "k and l describe these columns of these patients. They do not say what an outsider knows, whether a patient is in "
    "the data, or what other columns and other releases give away; l-diversity does not protect against values that "
    "mean nearly the same. A low risk is no permission: the local privacy officer and the ethics board decide."
)


@dataclass(frozen=True, repr=False)
class DisclosureRisk(Result):
    """How well patients hide among each other.

    Parameters
    ----------
    quasi_identifiers : tuple of str
        What an outsider may know; empty where the patients have no such column.
    k : int or None
        Smallest number of patients who share a combination (k-anonymity); None without patients.
    distinct_l : dict of str to int
        For each sensitive column the smallest number of different values within a combination (distinct l-diversity).
    combinations : pandas.DataFrame
        One row a combination: the quasi-identifiers, patients (count), and distinct_<sensitive> (count); fewest first.
    fewest : int
        Combinations of fewer patients are rare.
    suggestions : pandas.DataFrame
        One row a generalisation, best first: generalisation, k, rare_combinations and rare_patients after it alone.
    n_patients : int
        Patients.
    """

    quasi_identifiers: tuple[str, ...]
    k: int | None
    distinct_l: dict[str, int]
    combinations: pd.DataFrame
    fewest: int
    suggestions: pd.DataFrame
    n_patients: int

    @property
    def rare(self) -> pd.DataFrame:
        """Combinations of fewer patients than ``fewest``."""
        return self.combinations[self.combinations["patients"] < self.fewest]

    def _headline(self) -> str:
        if self.k is None:
            return "Disclosure risk: no patients."
        if not self.quasi_identifiers:
            none = f"the patients have none of {', '.join(QUASI_IDENTIFIERS)}"
            return f"Disclosure risk: {none}, so all {self.n_patients:,} look the same there, k = {self.k}"
        return f"Disclosure risk over {', '.join(self.quasi_identifiers)}: k = {self.k}" + "".join(
            f", distinct l of {name} = {n}" for name, n in self.distinct_l.items()
        )

    def _shown_tables(self) -> dict[str, pd.DataFrame]:
        return {} if self.k is None or not self.quasi_identifiers else {"suggestions": self.suggestions}

    def _shown_notes(self) -> tuple[str, ...]:
        if self.k is None:
            return ()
        if not self.quasi_identifiers:
            return (
                "Other columns were not counted; name those that an outsider may know as quasi_identifiers.",
                CAUTION,
            )
        rare = self.rare
        count = (
            f"{rare['patients'].sum():,} of {self.n_patients:,} patients are in {len(rare):,} combinations of fewer than "
            f"{self.fewest} patients."
        )
        return (
            count,
            f"combinations: {len(self.combinations):,} rows, fewest patients first; rare: {len(rare):,} rows.",
            CAUTION,
        )


@steps("disclosure risk")
def disclosure_risk(
    cohort: Cohort | pd.DataFrame,
    quasi_identifiers: Sequence[str] | None = None,
    sensitive: Sequence[str] | None = None,
    *,
    fewest: int = FEWEST_PATIENTS,
) -> DisclosureRisk:
    """Count the patients who share a combination of quasi-identifiers.

    Parameters
    ----------
    cohort : Cohort or pandas.DataFrame
        A cohort, or a table with one row a patient.
    quasi_identifiers : sequence of str, optional
        Columns of patients that an outsider may know; age_band (ten years) is made of age_years. By default those of
        age_band, sex, site, procedure, quarter, due_week, language and distance_band that are there;
        without any of them all patients share one combination.
    sensitive : sequence of str, optional
        Columns that must not be learned; by default protocol. In a cohort, event stands for the kinds of events that a
        patient had.
    fewest : int
        Combinations of fewer patients are listed as rare (default 11: no cell of 1 to 10, CMS).

    Returns
    -------
    DisclosureRisk
        k (Sweeney 2002), distinct l (Machanavajjhala et al. 2007), the combinations by count, and generalisations.
        A missing value counts as a value of its own.

    Raises
    ------
    CohortError
        A column is not there.

    Examples
    --------
    >>> table = pd.DataFrame({"sex": ["f", "f", "m"], "illness": ["a", "b", "a"]})
    >>> risk = disclosure_risk(table, ["sex"], ["illness"])
    >>> risk.k, risk.distinct_l
    (1, {'illness': 1})
    """
    patients = _patients(cohort)
    wanted = tuple(quasi_identifiers or (name for name in QUASI_IDENTIFIERS if name in patients))
    hidden = tuple(sensitive if sensitive is not None else (name for name in ("protocol",) if name in patients))
    lacking = [name for name in (*wanted, *hidden) if name not in patients]
    if lacking:
        raise CohortError(
            f"There is no column {', '.join(lacking)}.",
            where=f"table patients, columns there: {', '.join(str(name) for name in patients.columns)}",
            what_to_do="Name columns of patients; age_band stands for age_years in bands.",
        )
    chosen = patients[[*dict.fromkeys((*wanted, *hidden))]]
    table = chosen.astype("str").where(chosen.notna(), _MISSING)
    combinations = _combinations(table, wanted, hidden)
    empty = combinations.empty
    steps = [
        (what, *_after(other, tuple(name for name in wanted if name in other), fewest))
        for what, other in _generalisations(table, patients, wanted, fewest)
    ]
    suggestions = pd.DataFrame(steps, columns=["generalisation", "k", "rare_combinations", "rare_patients"])
    return DisclosureRisk(
        wanted,
        None if empty else int(combinations["patients"].min()),
        {name: 0 if empty else int(combinations[f"distinct_{name}"].min()) for name in hidden},
        combinations,
        fewest,
        suggestions.sort_values(["rare_patients", "k"], ascending=[True, False], kind="stable").reset_index(drop=True),
        len(patients),
    )


def age_bands(ages: pd.Series, years: int = _BAND) -> pd.Series:
    """Put ages into bands; 90 and over is one.

    Examples
    --------
    >>> age_bands(pd.Series([34.0, 90.0, None])).tolist()
    ['30 to 39', '90 and over', nan]
    """
    lower = (ages // years * years).astype("Int64")
    upper = (lower + years - 1).clip(upper=_OLDEST - 1)
    bands = lower.astype("str") + " to " + upper.astype("str")
    return bands.mask(ages >= _OLDEST, "90 and over").where(ages.notna())


def _patients(cohort: Cohort | pd.DataFrame) -> pd.DataFrame:
    patients = (cohort if isinstance(cohort, pd.DataFrame) else cohort.patients).copy()
    if "age_years" in patients and "age_band" not in patients:
        patients["age_band"] = age_bands(patients["age_years"])
    if not isinstance(cohort, pd.DataFrame) and cohort.events is not None and "event" not in patients:
        events = cohort.events.assign(event=cohort.events["event"].astype("str"))
        kinds = events.groupby("patient_id")["event"].agg(lambda some: ", ".join(sorted(set(some))))
        patients["event"] = patients["patient_id"].map(kinds).astype("object").fillna("none")
    return patients


def _combinations(table: pd.DataFrame, known: tuple[str, ...], hidden: tuple[str, ...]) -> pd.DataFrame:
    if not known:
        one = {"patients": [len(table)], **{f"distinct_{name}": [table[name].nunique()] for name in hidden}}
        return pd.DataFrame(one).head(1 if len(table) else 0)
    groups = table.groupby(list(known), sort=True, observed=True)
    counts = groups.size().rename("patients").to_frame()
    for name in hidden:
        counts[f"distinct_{name}"] = groups[name].nunique()
    return counts.reset_index().sort_values("patients", kind="stable").reset_index(drop=True)


def _after(table: pd.DataFrame, known: tuple[str, ...], fewest: int) -> tuple[int, int, int]:
    sizes = table.groupby(list(known), observed=True).size() if known else pd.Series([len(table)])
    rare = sizes[sizes < fewest]
    return int(sizes.min()) if len(sizes) else 0, len(rare), int(rare.sum())


def _generalisations(
    table: pd.DataFrame, patients: pd.DataFrame, known: tuple[str, ...], fewest: int
) -> Iterator[tuple[str, pd.DataFrame]]:
    """Give tables with one thing made coarser, and what it is."""
    for name in known:
        if name == "age_band" and "age_years" in patients:
            wide = (
                age_bands(patients["age_years"], _WIDE_BAND)
                .astype("str")
                .where(patients["age_years"].notna(), _MISSING)
            )
            yield f"ages in bands of {_WIDE_BAND} years", table.assign(age_band=wide)
        elif name == "quarter":
            yield "the year in place of the quarter", table.assign(quarter=table["quarter"].str.slice(0, 4))
        else:
            sizes = table[name].map(table[name].value_counts())
            small = sizes < fewest * 2
            if len(table.loc[small, name].unique()) > 1:
                yield (
                    f"{name}: those of fewer than {fewest * 2} patients together",
                    table.assign(**{name: table[name].mask(small, _OTHER)}),
                )
        yield f"{name} left out", table.drop(columns=name)
