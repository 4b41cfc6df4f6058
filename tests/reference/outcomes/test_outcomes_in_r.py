"""An invented trial of 48 patients, every number of its outcomes computed in R too (``outcomes.R``, R 4.2.2; no R is needed)."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from analysis.cohort import Cohort
from analysis.outcomes import (
    adherence_association,
    complier_effect,
    events_by_week,
    missing_data_analyses,
    responders,
)
from analysis.outcomes.chosen_endpoint import choose_endpoint
from analysis.outcomes.responders.adjusted_difference import adjusted_difference

HERE = Path(__file__).parent
R = pd.read_csv(HERE / "values.csv", index_col="quantity")["value"].to_dict()
PROTOCOLS = ["usual", "early", "late"]
EXACT = {"rel": 1e-8, "abs": 1e-10}


@pytest.fixture(scope="module")
def trial() -> Cohort:
    wide = pd.read_csv(HERE / "patients.csv", dtype={"harms": "str"}).rename(columns={"patient": "patient_id"})
    patients = wide[["patient_id", "protocol", "site"]].assign(protocol=pd.Categorical(wide["protocol"], PROTOCOLS))
    visits = [
        (row["patient_id"], float(week), row[f"week{week}"])
        for _, row in wide.iterrows()
        for week in (0, 6, 12)
        if pd.notna(row[f"week{week}"])
    ]
    sessions = [
        (row["patient_id"], float(week), "exercise", 5, row[f"done{week}"])
        for _, row in wide.iterrows()
        for week in range(2, 13, 2)
        if pd.notna(row[f"done{week}"])
    ]
    harms = [
        (row["patient_id"], float(week), "swelling") for _, row in wide.iterrows() for week in str(row["harms"]).split()
    ]
    return Cohort(
        patients,
        pd.DataFrame(visits, columns=["patient_id", "week", "value"]).assign(measure="ikdc", limb="none"),
        sessions=pd.DataFrame(
            sessions, columns=["patient_id", "week", "modality", "sessions_prescribed", "sessions_done"]
        ),
        events=pd.DataFrame(harms, columns=["patient_id", "week", "event"]).dropna(),
        reference="usual",
    )


@pytest.fixture(scope="module")
def counted(trial):
    return responders(trial, "ikdc", week=12, threshold=14.0)


def test_shares_and_the_difference_of_means(counted) -> None:
    """prop.test(correct = FALSE), t.test: Wilson and Welch."""
    shares = counted.table.set_index("protocol")
    for name in PROTOCOLS:
        assert shares.loc[name, ["lower", "upper"]].tolist() == pytest.approx(
            [R[f"share {name} lower"], R[f"share {name} upper"]], **EXACT
        )
    row = counted.mean_differences.set_index("protocol").loc["early"]
    for name in ("estimate", "std_error", "df", "lower"):
        assert row[name] == pytest.approx(R[f"welch early {name}"], **EXACT)


def test_standardised_shares(trial, counted) -> None:
    """glm(), and the sandwich of the stacked equations with derivatives by differences, hence 1e-6."""
    found = adjusted_difference(trial, counted, covariates=("baseline", "site"))
    shares = found.table.set_index("protocol")
    for name in PROTOCOLS:
        assert shares.loc[name, "share"] == pytest.approx(R[f"standardised {name}"], rel=1e-8)
        assert shares.loc[name, "std_error"] == pytest.approx(R[f"standardised {name} std_error"], rel=1e-6)
    error = found.differences.set_index("protocol").loc["early", "std_error"]
    assert error == pytest.approx(R["standardised early std_error of the difference"], rel=1e-6)


def test_sessions_and_recovery(trial) -> None:
    """lm() with HC3, and with errors by patient times G / (G - 1) (N - 1) / (N - p), both written out."""
    table = adherence_association(
        trial, choose_endpoint(trial, "ikdc", week=12, criterion=None), covariates=("baseline", "site")
    ).table
    table = table.set_index(table["method"].str.split(":").str[0])
    for name in ("adjusted", "lagged", "reversed"):
        wanted = [R[f"{name} slope {quantity}"] for quantity in ("estimate", "std_error", "df")]
        assert table.loc[name, ["slope", "std_error", "df"]].astype(float).tolist() == pytest.approx(wanted, **EXACT)


def test_effect_by_allocation(trial) -> None:
    """Two stages by lm() with HC1; the set of Anderson and Rubin by root finding of the squared t."""
    table = complier_effect(trial, choose_endpoint(trial, "ikdc", week=12, criterion=None), randomised=True).table
    row = table.set_index("protocol").loc["early"]
    assert row["effect"] == pytest.approx(R["effect estimate"], **EXACT)
    assert row["std_error"] == pytest.approx(R["effect std_error"], **EXACT)
    assert row["robust_set"] == "interval"
    assert row[["robust_lower", "robust_upper"]].astype(float).tolist() == pytest.approx(
        [R["anderson-rubin 1"], R["anderson-rubin 2"]], rel=1e-7
    )


def test_harms_per_100_patient_weeks(trial) -> None:
    """poisson.test(): exact limits, of harms in weeks with an entry."""
    overall = events_by_week(trial).overall.set_index("protocol")
    for name in PROTOCOLS:
        wanted = [R[f"harms {name} {quantity}"] for quantity in ("events", "lower", "upper")]
        assert overall.loc[name, ["events", "lower", "upper"]].astype(float).tolist() == pytest.approx(wanted, **EXACT)


def test_missing_visits_filled(trial) -> None:
    """20,000 fillings by regressions drawn from their posterior in R; here 300, so 4 standard errors of these."""
    found = missing_data_analyses(
        trial, choose_endpoint(trial, "ikdc", week=12, threshold=14.0), covariates=("baseline",), draws=300
    )
    table = found.differences[found.differences["analysis"].eq("multiple imputation")]
    table = table[table["protocol"].eq("early")].set_index("assumption")
    assert len(table) == 4
    for assumption, row in table.iterrows():
        spread = R[f"{assumption} spread"]
        assert row["difference"] == pytest.approx(R[f"{assumption} estimate"], abs=4 * spread / 300**0.5)
        assert row["std_error"] == pytest.approx(R[f"{assumption} std_error"], rel=0.05)
