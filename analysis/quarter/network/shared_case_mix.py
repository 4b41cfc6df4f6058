"""A case-mix model that one site fits and the others apply: coefficients and the coding of covariates, and no patients."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import expit

from analysis.cohort.files.paths import refuse_no_file
from analysis.cohort.files.settings_files import read_json
from analysis.errors import CohortError, ModelError
from analysis.quarter.network.shared_counts import ExpectedSums
from analysis.quarter.sites.case_mix import COVARIATES, fit_logistic
from analysis.result import Result
from analysis.statistics.small_counts import LARGEST_HIDDEN
from analysis.writing.texts import write_text

FORM, VERSION = "kneecurve case-mix model", 1
_DECIMALS = 12


@dataclass(frozen=True)
class Term:
    """One covariate: a number, centred and divided by its spread, or labels against all that are not named.

    ``coefficients`` has one entry a label; of a number the only key is empty.
    """

    column: str
    coefficients: dict[str, float]
    mean: float = 0.0
    spread: float = 1.0

    @property
    def is_number(self) -> bool:
        """Whether the covariate is a number."""
        return set(self.coefficients) == {""}

    def log_odds(self, patients: pd.DataFrame) -> NDArray[np.float64]:
        """Give what the covariate adds to the log odds of each patient; a missing number counts as the mean of the model."""
        if self.column not in patients:
            raise CohortError(
                f"The case-mix model needs the column {self.column!r} of the patients.",
                where=f"columns: {', '.join(map(str, patients.columns))}",
                what_to_do="Import it too, or agree on a model without it.",
            )
        values = patients[self.column]
        if self.is_number:
            numbers = pd.to_numeric(values, errors="coerce").astype(float)
            return np.asarray(((numbers - self.mean) / self.spread).fillna(0.0) * self.coefficients[""], dtype=float)
        labels = values.astype("str").where(values.notna(), "missing")
        return np.asarray(labels.map(self.coefficients).fillna(0.0), dtype=float)


@dataclass(frozen=True, eq=False, repr=False)
class SharedCaseMix(Result):
    """A logistic model of the outcome that is shared in place of patients.

    Parameters
    ----------
    intercept : float
        Log odds of a patient at the mean of every number and with none of the labels named.
    terms : tuple of Term
        The covariates.
    measure, indicator : str
        The main measure, and the label of the indicator whose numerator is the outcome.
    week : float
        Week of the outcome.
    fitted : str
        Where and on how many patients it was fitted, in words.
    """

    intercept: float
    terms: tuple[Term, ...]
    measure: str
    week: float
    indicator: str
    fitted: str

    @property
    def sha256(self) -> str:
        """Hash of the file's text, by which counts say which model they were made with."""
        return hashlib.sha256(self.to_text().encode("utf-8")).hexdigest()

    def chances(self, patients: pd.DataFrame) -> NDArray[np.float64]:
        """Give the chance of the outcome that the model gives each patient; a label it does not name counts as the reference."""
        total = np.full(len(patients), self.intercept)
        for term in self.terms:
            total = total + term.log_odds(patients)
        return np.asarray(expit(total), dtype=float)

    def expected(self, patients: pd.DataFrame) -> ExpectedSums:
        """Sum the chances by quarter and site."""
        rows = pd.DataFrame(
            {"period": patients["quarter"].astype("str").to_numpy(), "site": patients["site"].astype("str").to_numpy(),
             "expected": self.chances(patients)}
        )  # fmt: skip
        table = rows.groupby(["period", "site"])["expected"].sum().reset_index()
        return ExpectedSums(self.sha256, self.fitted, self.indicator, table)

    def to_text(self) -> str:
        """Give the text of the file."""
        terms = [
            {
                "column": one.column,
                "kind": "number",
                "mean": one.mean,
                "spread": one.spread,
                "coefficient": one.coefficients[""],
            }
            if one.is_number
            else {"column": one.column, "kind": "labels", "coefficients": one.coefficients}
            for one in self.terms
        ]
        said = {
            "form": FORM, "version": VERSION,
            "note": "Log odds = intercept + for a number coefficient * (value - mean) / spread, a missing one counting as the mean, + for "
            "labels the coefficient of the label, 0 where it is not named. No patient is in this file.",
            "fitted": self.fitted, "measure": self.measure, "week": self.week, "indicator": self.indicator,
            "intercept": self.intercept, "terms": terms,
        }  # fmt: skip
        return json.dumps(said, indent=1, ensure_ascii=False, allow_nan=False) + "\n"

    def _headline(self) -> str:
        return f"Case-mix model of {self.indicator}: {', '.join(one.column for one in self.terms) or 'no covariate'}"

    def _shown_notes(self) -> list[str]:
        return [self.fitted]


def fit_case_mix(
    patients: pd.DataFrame,
    *,
    measure: str,
    week: float,
    indicator: str,
    where: str,
    covariates: Sequence[str] = COVARIATES,
) -> SharedCaseMix:
    """Fit the model that a network shares, on the patients of one site.

    Parameters
    ----------
    patients : pandas.DataFrame
        One row a patient with a known outcome: outcome (0 or 1) and covariates, as
        :attr:`analysis.quarter.QuarterCohort.patients` has them.
    measure, indicator : str
        The main measure and the label of the indicator, which stand in the model.
    week : float
        Week of the outcome.
    where : str
        Who fitted it, for readers.
    covariates : sequence of str
        Columns to adjust for, those that are there and vary.

    Returns
    -------
    SharedCaseMix
        Logistic regression with a weak penalty, as :func:`analysis.quarter.sites.case_mix` fits it. Labels of 10 patients or fewer count
        with the most frequent one, so that no coefficient is of a few.

    Raises
    ------
    ModelError
        10 patients or fewer reached the outcome, or 10 or fewer did not: a shared model would tell of single patients.

    Examples
    --------
    >>> frame = pd.DataFrame({"outcome": [1.0, 0.0, 1.0] * 20, "age_years": [30.0, 60.0, 45.0] * 20})
    >>> model = fit_case_mix(frame, measure="pain", week=12, indicator="Improved", where="site A")
    >>> model.fitted, round(float(model.chances(frame).sum()), 4)
    ('Fitted by site A on 60 patients.', 40.0)
    """
    outcome = patients["outcome"].to_numpy(dtype=float)
    reached = int(outcome.sum())
    if min(reached, len(outcome) - reached) <= LARGEST_HIDDEN:
        raise ModelError(
            f"A shared model needs more than {LARGEST_HIDDEN} patients who reached the outcome, and as many who did not.",
            where=f"{len(outcome):,} patients with a known outcome",
            what_to_do="Let a larger site fit it.",
        )
    columns: list[NDArray[np.float64]] = [np.ones(len(patients))]
    drafts: list[tuple[str, list[str], float, float]] = []
    for name in covariates:
        if name not in patients:
            continue
        values = patients[name]
        if pd.api.types.is_numeric_dtype(values):
            numbers = values.astype(float)
            mean, spread = float(numbers.mean()), float(numbers.std(ddof=0))
            if spread > 0:
                columns.append(np.asarray(((numbers - mean) / spread).fillna(0.0), dtype=float))
                drafts.append((name, [""], mean, spread))
            continue
        labels = values.astype("str").where(values.notna(), "missing")
        counts = labels.value_counts()
        named = [str(label) for label, n in counts.iloc[1:].items() if n > LARGEST_HIDDEN]
        columns += [np.asarray(labels == label, dtype=float) for label in named]
        drafts += [(name, named, 0.0, 1.0)] if named else []
    fitted = np.round(fit_logistic(np.column_stack(columns), outcome), _DECIMALS)
    terms, place = [], 1
    for name, keys, mean, spread in drafts:
        terms.append(Term(name, dict(zip(keys, fitted[place : place + len(keys)].tolist(), strict=True)), mean, spread))
        place += len(keys)
    said = f"Fitted by {where} on {len(patients):,} patients."
    return SharedCaseMix(float(fitted[0]), tuple(terms), measure, float(week), indicator, said)


def write_case_mix(model: SharedCaseMix, file: str | os.PathLike[str], *, overwrite: bool = False) -> Path:
    """Write a model to a JSON file, whole or not at all.

    Raises
    ------
    CohortError
        There is a file of that name already, or it cannot be written.
    """
    refuse_no_file(Path(file))
    return write_text(model.to_text(), Path(file), overwrite=overwrite)


def read_case_mix(file: str | os.PathLike[str]) -> SharedCaseMix:
    """Read a shared model.

    Raises
    ------
    CohortError
        The file cannot be read, or is of another form or version.
    """
    path = Path(file)
    try:
        said = read_json(path)
        if said["form"] != FORM or said["version"] != VERSION:
            raise ValueError("another form or version")
        terms = tuple(map(_term, said["terms"]))
        numbers = [
            float(said["intercept"]),
            *(x for one in terms for x in (*one.coefficients.values(), one.mean, one.spread)),
        ]
        if not np.isfinite(numbers).all() or any(one.spread <= 0 for one in terms):
            raise ValueError("a number that is none")
        texts = [said[name] for name in ("measure", "indicator", "fitted")]
        if not all(isinstance(one, str) for one in texts):
            raise TypeError("a text")
        return SharedCaseMix(float(said["intercept"]), terms, texts[0], float(said["week"]), texts[1], texts[2])
    except OSError as error:
        raise CohortError(
            f"The case-mix model cannot be read: {error.strerror}.", where=str(path), what_to_do="Check the path."
        ) from None
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise CohortError(
            f"This is no case-mix model of version {VERSION} ({type(error).__name__}: {error}).",
            where=str(path),
            what_to_do="Give the file that kneecurve aggregate --write-case-mix wrote at the first site.",
        ) from None


def _term(said: Any) -> Term:
    column = str(said["column"])
    if said["kind"] == "number":
        return Term(column, {"": float(said["coefficient"])}, float(said["mean"]), float(said["spread"]))
    return Term(column, {str(label): float(value) for label, value in said["coefficients"].items()})
