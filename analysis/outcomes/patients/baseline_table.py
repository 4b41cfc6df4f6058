"""The baseline table: who was in each protocol. No p-values: allocation is not a hypothesis."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from analysis.cohort.reference import used_protocols
from analysis.cohort.tables import TABLES, Cohort
from analysis.cohort.visit_frame import visit_frame
from analysis.result import ResultWithNotes

ALL_PATIENTS = "all patients"
#: A text column with more different values than this is left out (design choice).
MOST_CATEGORIES = 12
_UNITS = {"_years": "years", "_kg": "kg", "_cm": "cm", "_mm": "mm", "_deg": "deg"}


@dataclass(frozen=True, eq=False, repr=False)
class BaselineTable(ResultWithNotes):
    """Baseline characteristics by protocol, in long form.

    Attributes
    ----------
    table : pandas.DataFrame
        variable, label, unit, category (missing for numbers), protocol (the last one "all patients"), allocated, n
        (patients with a value: the denominator), missing; for numbers mean, standard_deviation, median,
        lower_quartile, upper_quartile, lowest, highest; for categories count and share (of n).
    """

    table: pd.DataFrame

    def _headline(self) -> str:
        return "Baseline"


def baseline_table(
    cohort: Cohort, *, covariates: Sequence[str] | None = None, measures: Sequence[str] | None = None
) -> BaselineTable:
    """Describe the patients of each protocol at the start.

    Parameters
    ----------
    cohort : Cohort
    covariates : sequence of str, optional
        Columns of ``patients`` to describe; by default all but the identifier and the protocol.
    measures : sequence of str, optional
        Measures whose baseline is described; by default every stored one with a value at or before week 0.

    Returns
    -------
    BaselineTable
        One row a variable (and category) and protocol, and for all patients.

    Raises
    ------
    CohortError
        A measure is not known.

    Notes
    -----
    No tests: a p-value of a baseline difference answers no question of a trial, and in a comparison that was not
    randomised its size says nothing about the bias (CONSORT 2025; STROBE). Quartiles by linear interpolation.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> table = baseline_table(generate_cohort(patients=60, seed=1).observed).table
    >>> [column for column in table if "p_value" in column]
    []
    """
    protocol = used_protocols(cohort.patients["protocol"])
    notes = [
        "Shares are of the patients with a value.",
        "Groups are described, not tested: a p-value here answers no question.",
    ]
    rows: list[dict[str, Any]] = []
    for name in covariates if covariates is not None else _covariates(cohort):
        values = cohort.patients[name]
        head = {"variable": name, "label": _label(name), "unit": _unit(name)}
        if pd.api.types.is_numeric_dtype(values) and not pd.api.types.is_bool_dtype(values):
            rows += _numbers(values.astype("float64"), protocol, head)
        elif pd.api.types.is_datetime64_any_dtype(values) or _categories(values) is None:
            notes.append(f"{_label(name)}: left out, a date or a text with more than {MOST_CATEGORIES} values.")
        else:
            rows += _shares(values, protocol, head)
    for head, values in _baselines(cohort, measures):
        rows += _numbers(values, protocol, head)
    return BaselineTable(pd.DataFrame(rows, columns=_COLUMNS), notes=tuple(notes))


_COLUMNS = [
    "variable", "label", "unit", "category", "protocol", "allocated", "n", "missing", "mean", "standard_deviation",
    "median", "lower_quartile", "upper_quartile", "lowest", "highest", "count", "share",
]  # fmt: skip


def _covariates(cohort: Cohort) -> list[str]:
    return [str(name) for name in cohort.patients if name not in ("patient_id", "protocol")]


def _baselines(cohort: Cohort, measures: Sequence[str] | None) -> Iterator[tuple[dict[str, Any], pd.Series]]:
    stored = [str(name) for name in cohort.visits["measure"].dropna().unique()]
    chosen = measures if measures is not None else [name for name in cohort.measures if name in stored]
    for name in chosen:
        measure = cohort.measures[name]
        for limb in measure.limbs:
            frame = visit_frame(cohort, name, limb)
            by_patient = frame.drop_duplicates("patient_id").set_index("patient_id")["baseline"].dropna()
            if by_patient.empty:
                continue
            label = measure.label_on(limb)
            head = {"variable": f"{name}:{limb}", "label": label, "unit": measure.unit}
            yield head, cohort.patients["patient_id"].map(by_patient).astype("float64")


def _numbers(values: pd.Series, protocol: pd.Series, head: dict[str, Any]) -> list[dict[str, Any]]:
    rows = []
    for name, group in _groups(values, protocol):
        cells = group.to_numpy(dtype="float64", na_value=np.nan)
        known = cells[~np.isnan(cells)]
        lower, median, upper = np.percentile(known, (25, 50, 75)) if len(known) else (np.nan,) * 3
        numbers = {
            "mean": known.mean() if len(known) else np.nan,
            "standard_deviation": known.std(ddof=1) if len(known) > 1 else np.nan,
            "median": median,
            "lower_quartile": lower,
            "upper_quartile": upper,
            "lowest": known.min() if len(known) else np.nan,
            "highest": known.max() if len(known) else np.nan,
        }
        rows.append({**head, "protocol": name, **_counts(group), **numbers})
    return rows


def _shares(values: pd.Series, protocol: pd.Series, head: dict[str, Any]) -> list[dict[str, Any]]:
    rows = []
    groups = [
        (name, _counts(group), group.astype("str").to_numpy(dtype=object)) for name, group in _groups(values, protocol)
    ]
    for category in _categories(values) or []:
        for name, counts, texts in groups:
            n, count = counts["n"], int((texts == category).sum())
            share = count / n if n else float("nan")
            rows.append({**head, "category": category, "protocol": name, **counts, "count": count, "share": share})
    return rows


def _groups(values: pd.Series, protocol: pd.Series) -> Iterator[tuple[str, pd.Series]]:
    codes = protocol.cat.codes.to_numpy()
    for code, name in enumerate(protocol.cat.categories):
        yield str(name), values[codes == code]
    yield ALL_PATIENTS, values


def _counts(group: pd.Series) -> dict[str, int]:
    missing = int(np.count_nonzero(group.isna().to_numpy()))
    return {"allocated": len(group), "n": len(group) - missing, "missing": missing}


def _categories(values: pd.Series) -> list[str] | None:
    """Categories in the order of the data; None where there are too many to list."""
    known = values.dropna()
    if isinstance(values.dtype, pd.CategoricalDtype):
        found = [str(name) for name in known.cat.remove_unused_categories().cat.categories]
    else:
        found = list(dict.fromkeys(known.astype("str")))
    return found if len(found) <= MOST_CATEGORIES else None


def _label(name: str) -> str:
    stem = next((name.removesuffix(suffix) for suffix in _UNITS if name.endswith(suffix)), name)
    return stem.replace("_", " ").capitalize()


def _unit(name: str) -> str:
    known = TABLES["patients"].column(name)
    if known is not None and known.unit:
        return known.unit
    return next((unit for suffix, unit in _UNITS.items() if name.endswith(suffix)), "")
