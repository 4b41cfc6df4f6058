"""De-identification: what becomes of dates, ages, places, texts and identifiers; what it refuses; the input stays."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from analysis.__main__ import app
from analysis.cohort import Cohort, Provenance, deidentify, load_cohort, write_cohort
from analysis.cohort.deidentification.transforms import (
    ages_at,
    cap_ages,
    opaque_identifiers,
    parse_dates,
    three_digits,
    weeks_between,
)
from analysis.cohort.recognition.find_identifiers import look_like_names, what_cells_hold
from analysis.errors import CohortError, DeidentificationError

CLINIC = """\
MRN,Surgery date,DOB,seen_date,zip,age,phone,remarks,pain,site
1001,2024-01-01,1930-05-05,2023-12-25,94110,93,555-010-1234,"slept badly, says that her brother Karl will come along",5,north
1001,2024-01-01,1930-05-05,2024-02-12,94110,93,555-010-1234,,3,north
1002,2024-05-30,1980-06-01,2024-05-30,03601-1234,43,555-010-9999,"no complaints at all but for some stiffness in the morning",4,south
1003,2024-03-11,1971-02-14,2024-04-02,94110,53,555-010-1111,,4,south
1004,2024-04-22,1966-09-30,2024-06-27,94110,57,555-010-2222,,5,north
1005,2024-02-06,1958-11-02,2024-05-20,94110,65,555-010-3333,,3,north
"""


OF_FIVE = "".join(f"{i},2024-0{i}-01,2024-0{i}-{10 + i * i:02d}\n" for i in range(1, 5)) + "5,2024-09-01,2024-09-30\n"


def clinic(place: Path, text: str = CLINIC) -> Path:
    file = place / "source" / "clinic.csv"
    file.parent.mkdir()
    file.write_text(text, encoding="utf-8")
    return file


def test_a_table_of_a_clinic(tmp_path: Path) -> None:
    file = clinic(tmp_path)
    before = hashlib.sha256(file.read_bytes()).hexdigest()
    report = deidentify(file, tmp_path / "out", patient="MRN", start="Surgery date")
    table = pd.read_csv(tmp_path / "out" / "clinic.csv", dtype={"zip3": str})
    assert list(table.columns) == ["patient_id", "seen_week", "zip3", "age", "pain", "site"]
    first, second = table[table["age"] == 90], table[table["age"] == 43]
    assert first["seen_week"].tolist() == [-1.0, 6.0]  # a week before, and 42 days after
    assert (first["zip3"].tolist(), second["zip3"].tolist()) == (["941", "941"], ["000"])
    assert len(table["patient_id"].unique()) == 5
    assert not table["patient_id"].str.contains("100").all()
    assert hashlib.sha256(file.read_bytes()).hexdigest() == before
    assert [one.name for one in file.parent.iterdir()] == ["clinic.csv"]
    done = report.actions.set_index("column")
    assert done.loc["DOB", "paragraph"] == "(C) dates"
    assert done.loc["phone", ["paragraph", "done", "n_cells"]].tolist() == ["(D) telephone numbers", "removed", 6]
    assert done.loc["remarks", "act"] == "withhold"
    assert "privacy officer and the ethics board" in report.to_text()
    assert "1001" not in report.to_text() and "Karl" not in str(report)  # noqa: PT018 - one statement: no value is told


def test_texts_never_pass_not_even_by_name(tmp_path: Path) -> None:
    text = CLINIC.replace("brother Karl", "brother").replace("slept badly,", "slept badly and")
    with pytest.raises(DeidentificationError, match="column 'remarks' cannot be kept: it holds texts"):
        deidentify(clinic(tmp_path, text), tmp_path / "out", patient="MRN", start="Surgery date", keep=["remarks"])
    assert not (tmp_path / "out").exists()


def test_the_limited_level_keeps_the_quarter_and_nothing_else_of_a_date(tmp_path: Path) -> None:
    report = deidentify(clinic(tmp_path), tmp_path / "out", level="limited", patient="MRN", start="Surgery date")
    table = pd.read_csv(tmp_path / "out" / "clinic.csv")
    assert sorted(table["quarter"].tolist()) == ["2024-Q1"] * 4 + ["2024-Q2"] * 2
    assert "2024-05-30" not in (tmp_path / "out" / "clinic.csv").read_text()
    assert "must stay within the organisation" in report.to_text()


def test_an_age_is_made_of_a_date_of_birth_where_there_is_none(tmp_path: Path) -> None:
    text = "\n".join(",".join(line.split(",")[:4]) for line in CLINIC.splitlines())
    deidentify(clinic(tmp_path, text), tmp_path / "out", patient="MRN", start="Surgery date")
    table = pd.read_csv(tmp_path / "out" / "clinic.csv")
    assert sorted(table["age_years"].tolist()) == [
        43.0,
        53.0,
        57.0,
        65.0,
        90.0,
        90.0,
    ]  # 43 the day before the 44th birthday


def cohort_with_identifiers(place: Path, patients: pd.DataFrame, visits: pd.DataFrame) -> Path:
    """A cohort folder into which somebody put a column of e-mail addresses afterwards."""
    folder = write_cohort(Cohort(patients, visits, provenance=Provenance(steps=("Imported.",))), place / "cohort")
    table = folder / "patients.csv"
    lines = table.read_text().splitlines()
    extra = ["email", "a@example.org", "b@example.org", "c@example.org"]
    table.write_text("\n".join(f"{line},{more}" for line, more in zip(lines, extra, strict=True)) + "\n")
    return folder


def test_a_cohort_folder_that_does_not_load_becomes_one_that_does(
    patients: pd.DataFrame, visits: pd.DataFrame, tmp_path: Path
) -> None:
    folder = cohort_with_identifiers(tmp_path, patients, visits)
    with pytest.raises(DeidentificationError, match="could identify patients"):
        load_cohort(folder)
    deidentify(folder, tmp_path / "out")
    again = load_cohort(tmp_path / "out")
    assert again.level == "safe-harbor"
    assert "email" not in again.patients
    assert set(again.patients["site"]) == {"site 1", "site 2"}
    assert again.protocols == ["usual", "early"]  # the order of the source, the reference first
    assert sorted(again.visits["value"].dropna()) == sorted(visits["value"].dropna())
    # what was done before is told by others: names of files and what was typed go
    assert "De-identified to the level safe-harbor" in again.provenance.steps[0]
    assert "Imported." not in again.provenance.steps
    assert not set(again.patients["patient_id"]) & {"P1", "P2", "P3"}
    # a patient's values stay together: the sum of each patient's values is as before
    for frame, other in ((visits, again.visits), (again.visits, visits)):
        sums = frame.groupby("patient_id", observed=True)["value"].sum().round(9)
        assert sorted(sums) == sorted(other.groupby("patient_id", observed=True)["value"].sum().round(9))


def test_quarters_of_a_limited_cohort_go_at_the_safe_harbor_level(
    patients: pd.DataFrame, visits: pd.DataFrame, tmp_path: Path
) -> None:
    limited = Cohort(patients.assign(quarter="2026-Q1"), visits, privacy="limited")
    folder = write_cohort(limited, tmp_path / "cohort")
    deidentify(folder, tmp_path / "safe")
    deidentify(folder, tmp_path / "limited", level="limited", keep=["site"])
    assert "quarter" not in load_cohort(tmp_path / "safe").patients
    again = load_cohort(tmp_path / "limited")
    assert (again.level, set(again.patients["quarter"])) == ("limited", {"2026-Q1"})


def test_keys_give_the_same_identifiers_again_and_random_ones_do_not(tmp_path: Path) -> None:
    file, key = clinic(tmp_path), tmp_path / "secret" / "key"
    for out in ("a", "b"):
        deidentify(file, tmp_path / out, patient="MRN", start="Surgery date", key_file=key)
    deidentify(file, tmp_path / "c", patient="MRN", start="Surgery date")
    a, b, c = (set(pd.read_csv(tmp_path / out / "clinic.csv")["patient_id"]) for out in "abc")
    assert a == b
    assert not a & c
    assert key.stat().st_mode & 0o077 == 0  # nobody else may read it
    assert set(opaque_identifiers(map(str, range(1001, 1006)), key.read_bytes()).values()) == a


def test_new_identifiers_look_like_nobody_and_nothing() -> None:
    # a cohort of 5,000 was refused once: some new identifiers had the form of a vehicle identification number
    new = pd.Series(list(opaque_identifiers([str(i) for i in range(40_000)], b"sixteen bytes or more").values()))
    assert new.is_unique
    assert (what_cells_hold(new, limited=False) == "").all()
    assert not look_like_names(new).any()


@pytest.mark.parametrize("where", ["source/key", "out/key"])
def test_a_key_beside_the_data_is_refused(tmp_path: Path, where: str) -> None:
    file = clinic(tmp_path)
    (tmp_path / "out").mkdir()
    source = file.parent if where.startswith("source") else file
    with pytest.raises(DeidentificationError, match="The key lies with the data"):
        deidentify(source, tmp_path / "out", patient="MRN", key_file=tmp_path / where)


def test_a_short_key_is_refused() -> None:
    with pytest.raises(DeidentificationError, match="The key has 5 bytes; a short one can be guessed"):
        opaque_identifiers(["a"], b"short")


@pytest.mark.parametrize("out", ["source", "source/inside", "."])
def test_it_never_writes_into_its_input(tmp_path: Path, out: str) -> None:
    file = clinic(tmp_path)
    with pytest.raises(CohortError, match="lie in each other"):
        deidentify(file.parent, tmp_path / out, patient="MRN", start="Surgery date")
    assert [one.name for one in file.parent.iterdir()] == ["clinic.csv"]


@pytest.mark.parametrize(
    ("text", "choices", "message"),
    [
        ("a,b\n1,2\n", {}, "cannot be told which column of clinic holds the patient"),
        (CLINIC, {"patient": "MRN", "start": "op"}, "There is no column 'op'"),
        (f"id,surgery_date,start_date\n{OF_FIVE}", {"start": None}, None),
        ("id,injury_date,start_date\n1,2024-01-01,2024-01-02\n", {}, "Several columns may hold the date"),
        ("id,surgery_date\n1,03/04/2024\n", {}, "with the day first or the month first"),
        ("id,surgery_date\n1,2024-01-01\n1,2024-02-01\n", {}, "differs within 1 patient"),
    ],
)
def test_what_cannot_be_told_is_asked(tmp_path: Path, text: str, choices: dict[str, str], message: str | None) -> None:
    file = clinic(tmp_path, text)
    if message is None:
        deidentify(file, tmp_path / "out", **choices)  # type: ignore[arg-type]
        assert pd.read_csv(tmp_path / "out" / "clinic.csv").columns.tolist() == ["patient_id", "start_week"]
        return
    with pytest.raises(CohortError, match=message):
        deidentify(file, tmp_path / "out", **choices)  # type: ignore[arg-type]
    assert not (tmp_path / "out").exists()


def test_a_folder_of_tables_shares_the_new_identifiers_and_the_start(tmp_path: Path) -> None:
    folder = tmp_path / "tables"
    folder.mkdir()
    others = {
        "C9": ("2024-03-12", "2024-05-01"),
        "D9": ("2024-06-03", "2024-07-01"),
        "E9": ("2024-08-20", "2024-12-11"),
    }
    more = ["".join(f"{one},{days[i]},3\n" for one, days in others.items()) for i in (0, 1)]
    (folder / "people.csv").write_text(
        "id,surgery_date,sex\nA9,2024-01-01,f\nB9,2024-02-01,m\n" + more[0].replace(",3", ",d")
    )
    (folder / "scores.csv").write_text("id,test_date,pain\nB9,2024-02-15,4\nA9,2024-01-22,2\n" + more[1])
    deidentify(folder, tmp_path / "out")
    people, scores = (pd.read_csv(tmp_path / "out" / f"{name}.csv") for name in ("people", "scores"))
    both = people.merge(scores, on="patient_id")
    known = both[both["sex"] != "d"].set_index("sex")
    assert known.loc[["f", "m"], ["test_week", "pain"]].to_numpy().tolist() == [[3, 2], [2, 4]]
    assert (tmp_path / "out" / "deidentification.csv").exists()


@settings(max_examples=25, deadline=None)
@given(st.lists(st.floats(0, 120), min_size=1, max_size=8))
def test_pooled_ages_are_whole_years_and_never_exceed_90(ages: list[float]) -> None:
    pooled, n = cap_ages(pd.Series(ages), 1)
    assert n == sum(age > 90 or age % 1 != 0 for age in ages)
    assert pooled.max() <= 90
    assert all(new == old // 1 for new, old in zip(pooled, ages, strict=True) if old < 90)


@pytest.mark.parametrize(("unit", "in_a_year"), [("months", 12.0), ("weeks", 52.1775), ("days", 365.2425)])
def test_ages_in_other_units_are_whole_years_and_stay_as_they_are_when_done_again(unit: str, in_a_year: float) -> None:
    exact = pd.Series([round(age * in_a_year) for age in (18.4, 45.5, 67.9, 89.2, 93.1)])
    once, n = cap_ages(exact, in_a_year)
    assert once.tolist() == [round(age * in_a_year) for age in (18, 45, 67, 89, 90)], unit
    assert n == 5
    assert cap_ages(once, in_a_year)[1] == 0


@settings(max_examples=25, deadline=None)
@given(st.dates(pd.Timestamp("1990-01-01").date(), pd.Timestamp("2030-01-01").date()), st.integers(-400, 4000))
def test_weeks_are_days_over_seven(day: object, days: int) -> None:
    start = pd.Series([pd.Timestamp(str(day))])
    assert weeks_between(start, start + pd.Timedelta(days=days)).tolist() == pytest.approx([days / 7])


def test_every_restricted_area_becomes_000_and_a_neighbour_does_not() -> None:
    # the 17 areas of the census of 2000 in the guidance of the Department of Health and Human Services (2012)
    listed = [
        "036",
        "059",
        "063",
        "102",
        "203",
        "556",
        "692",
        "790",
        "821",
        "823",
        "830",
        "831",
        "878",
        "879",
        "884",
        "890",
        "893",
    ]
    assert three_digits(pd.Series([f"{three}01" for three in listed])).tolist() == ["000"] * 17
    assert three_digits(pd.Series(["03701", "94110", "94110.0", "60614-2210"])).tolist() == ["037", "941", "941", "606"]


def test_dates_in_usual_forms_and_ages() -> None:
    for text in ("2024-03-05", "05.03.2024", "20240305", "5 March 2024", "05-Mar-2024", "2024-03-05T14:00"):
        assert parse_dates(pd.Series([text]), "seen").dt.normalize().tolist() == [pd.Timestamp("2024-03-05")]
    assert parse_dates(pd.Series(["03/05/2024"]), "seen", "%m/%d/%Y").tolist() == [pd.Timestamp("2024-03-05")]
    start, birth = pd.Series(pd.to_datetime(["2024-03-05"])), pd.Series(pd.to_datetime(["1933-01-01"]))
    assert ages_at(start, birth).tolist() == [90.0]


def test_the_command_says_what_was_done_and_what_it_cannot_promise(
    patients: pd.DataFrame, visits: pd.DataFrame, tmp_path: Path
) -> None:
    folder = cohort_with_identifiers(tmp_path, patients, visits)
    result = CliRunner().invoke(app, ["deidentify", str(folder), "--out", str(tmp_path / "out")])
    assert result.exit_code == 0, result.output
    assert "patients.email: (F) e-mail addresses an e-mail address, by the name of the column; removed" in result.output
    assert "a@example.org" not in result.output
    assert "k = 1" in result.output
    assert "the local privacy officer and the ethics board decide" in result.output


def test_a_key_of_no_bytes_which_a_process_that_died_left_is_made_anew(tmp_path: Path, caplog) -> None:
    key = tmp_path / "keys" / "clinic.key"
    key.parent.mkdir()
    key.touch(mode=0o600)
    deidentify(clinic(tmp_path), tmp_path / "out", patient="MRN", start="Surgery date", key_file=key)
    assert len(key.read_bytes()) == 64
    assert "was empty" in caplog.text
    assert "1001" not in caplog.text


def test_a_key_is_there_whole_or_not_at_all(tmp_path: Path, monkeypatch) -> None:
    def full(*_: object) -> str:
        raise KeyboardInterrupt

    monkeypatch.setattr("analysis.cohort.deidentification.keys.secrets.token_hex", full)
    place = tmp_path / "keys"
    with pytest.raises(KeyboardInterrupt):
        deidentify(clinic(tmp_path), tmp_path / "out", patient="MRN", start="Surgery date", key_file=place / "a.key")
    assert list(place.iterdir()) == []
    monkeypatch.undo()
    deidentify(tmp_path / "source", tmp_path / "out", patient="MRN", start="Surgery date", key_file=place / "a.key")
    assert [path.name for path in place.iterdir()] == ["a.key"]
    assert (place / "a.key").stat().st_mode & 0o077 == 0


def test_another_who_makes_the_same_key_at_the_same_time_is_not_overwritten(tmp_path: Path, monkeypatch) -> None:
    key, other = tmp_path / "keys" / "clinic.key", b"91b1e9a57a2b4fd3a86a4a35f0b35e1c"
    link = os.link

    def quicker(source: str, target: str) -> None:
        key.write_bytes(other)
        key.chmod(0o600)
        link(source, target)

    monkeypatch.setattr(os, "link", quicker)
    report = deidentify(clinic(tmp_path), tmp_path / "out", patient="MRN", start="Surgery date", key_file=key)
    assert key.read_bytes() == other
    monkeypatch.undo()
    again = deidentify(tmp_path / "source", tmp_path / "2", patient="MRN", start="Surgery date", key_file=key)
    assert (tmp_path / "out" / "clinic.csv").read_bytes() == (tmp_path / "2" / "clinic.csv").read_bytes()
    assert report.n_patients == again.n_patients


def test_a_quarter_that_shall_be_kept_at_safe_harbor_says_what_it_needs(tmp_path: Path) -> None:
    text = "MRN,quarter,koos_pain\n" + "".join(f"M{i},2026-Q{1 + i % 4},{40 + i}\n" for i in range(8))
    given = clinic(tmp_path, text)
    with pytest.raises(DeidentificationError, match="--level limited"):
        deidentify(given, tmp_path / "out", patient="MRN", keep=["quarter"])
    for keep in ([], ["quarter"]):
        out = tmp_path / f"limited {len(keep)}"
        deidentify(given, out, patient="MRN", level="limited", keep=keep)
        assert "2026-Q1" in (out / "clinic.csv").read_text()
