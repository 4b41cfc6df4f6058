"""The privacy level: readable, kept on disk, and a quarter is refused where safe harbor is claimed."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from analysis.cohort import Cohort, Provenance, check_cohort, load_cohort, write_cohort
from analysis.cohort.tables import Level, Privacy
from analysis.errors import DeidentificationError

INVENTED = Provenance(scenario="ligament reconstruction", seed=1)


def cohort(
    patients: pd.DataFrame, visits: pd.DataFrame, quarters: list[str | None], **more: Privacy | Provenance
) -> Cohort:
    return Cohort(patients.assign(quarter=quarters), visits, **more)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("privacy", "provenance", "level"),
    [
        ("safe-harbor", Provenance(), "safe-harbor"),
        ("limited", Provenance(), "limited"),
        ("safe-harbor", INVENTED, "synthetic"),
        ("limited", INVENTED, "synthetic"),
    ],
)
def test_the_level_is_read_from_the_cohort_and_from_its_folder(
    patients: pd.DataFrame,
    visits: pd.DataFrame,
    tmp_path: Path,
    privacy: Privacy,
    provenance: Provenance,
    level: Level,
) -> None:
    made = Cohort(patients, visits, privacy=privacy, provenance=provenance)
    assert made.level == level
    assert load_cohort(write_cohort(made, tmp_path / "cohort")).level == level


def test_a_quarter_is_refused_at_the_safe_harbor_level(
    patients: pd.DataFrame, visits: pd.DataFrame, tmp_path: Path
) -> None:
    # 45 CFR 164.514(b)(2)(i)(C): all elements of dates except the year
    quarterly = cohort(patients, visits, ["2026-Q1", "2026-Q2", None])
    findings = check_cohort(quarterly).findings
    assert findings.loc[findings["severity"] == "error", ["column", "problem"]].to_numpy().tolist() == [
        ["quarter", "a quarter is an element of a date finer than the year, (C) dates"]
    ]
    with pytest.raises(DeidentificationError, match="could identify patients"):
        write_cohort(quarterly, tmp_path / "cohort")
    assert not (tmp_path / "cohort").exists()


def test_a_limited_cohort_and_an_invented_one_keep_quarters(
    patients: pd.DataFrame, visits: pd.DataFrame, tmp_path: Path
) -> None:
    quarters = ["2026-Q1", "2025-Q4", None]
    for i, one in enumerate(
        (
            cohort(patients, visits, quarters, privacy="limited"),
            cohort(patients, visits, quarters, provenance=INVENTED),
        )
    ):
        again = load_cohort(write_cohort(one, tmp_path / str(i)))
        assert again.patients["quarter"].astype("object").where(again.patients["quarter"].notna(), None).tolist() == (
            quarters
        )


def test_a_folder_with_quarters_whose_level_was_changed_to_safe_harbor_does_not_load(
    patients: pd.DataFrame, visits: pd.DataFrame, tmp_path: Path
) -> None:
    folder = write_cohort(cohort(patients, visits, ["2026-Q1"] * 3, privacy="limited"), tmp_path / "cohort")
    descriptor = folder / "datapackage.json"
    descriptor.write_text(descriptor.read_text().replace('"privacy": "limited"', '"privacy": "safe-harbor"'))
    with pytest.raises(DeidentificationError, match='privacy = "limited" at the top of the map'):
        load_cohort(folder)


def test_what_is_no_quarter_is_named_with_its_row(patients: pd.DataFrame, visits: pd.DataFrame) -> None:
    findings = check_cohort(cohort(patients, visits, ["2026-Q5", "2026-Q1", "2026-07"], privacy="limited")).findings
    wrong = findings[findings["column"] == "quarter"]
    assert wrong[["row", "patient_id", "value", "problem"]].to_numpy().tolist() == [
        [2, "P1", "9999-A9", "this is no quarter"]
    ]
