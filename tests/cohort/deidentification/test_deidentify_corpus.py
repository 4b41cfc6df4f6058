"""The corpus of planted identifiers: none passes by itself; of clean columns at most a quarter needs a person, none is lost.

Corpus and rules have different authors, and no rule is made for a cell of it. The list of clean columns was seen while the
words were collected (82 of 233 needed a person at first); the one held out was written by a third author and none of its
words were added (76 of 160 at first, before some columns were known by their cells; 40 since an attack made the rules
stricter).
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from analysis.cohort import Review, deidentify, review_columns
from analysis.cohort.deidentification.judge import Surroundings, judge
from analysis.cohort.deidentification.names import new_column_name, shown_column, table_names
from analysis.cohort.deidentification.permission import permission_by_name

from .corpus.corpus import (
    CLEAN_PATIENTS,
    PATIENTS,
    clean_columns,
    named_things,
    planted_columns,
    planted_tables,
)

IDS = pd.Series([f"M{7000 + i}" for i in range(PATIENTS)])
STARTS = pd.Series(pd.date_range("2022-01-03", periods=PATIENTS, freq="9D"))
KEY = "91b1e9a57a2b4fd3a86a4a35f0b35e1c"
CLEAN = clean_columns()
HELD_OUT = clean_columns("clean_columns_held_out")


def holds(text: str, value: str) -> bool:
    """Whether a whole value is there: f482 within a new identifier such as P03f482 is none."""
    return value in text and re.search(rf"(?<!\w){re.escape(value)}(?!\w)", text) is not None


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[str, Path]]:
    """Everything that de-identification wrote and said of each table of planted identifiers, by its name."""
    place = tmp_path_factory.mktemp("planted")
    key = place / "keys" / "clinic.key"
    key.parent.mkdir()
    key.write_text(KEY, encoding="ascii")
    key.chmod(0o600)
    answer = {}
    for name, table in planted_tables().items():
        source = place / "sources" / name
        source.mkdir(parents=True)
        table.assign(key=IDS, first=STARTS.dt.strftime("%Y-%m-%d")).to_csv(source / "export.csv", index=False)
        report = deidentify(source, place / name, patient="key", start="first", key_file=key)
        texts = [path.read_text(encoding="utf-8") for path in sorted((place / name).iterdir())]
        answer[name] = ("\n".join([*texts, report.to_text(), str(report)]), place / name)
    return answer


def test_no_planted_identifier_passes(written: dict[str, tuple[str, Path]]) -> None:
    columns = planted_columns()
    assert len(columns) >= 150
    assert len({one.language for one in columns}) >= 8
    passed = [
        (one.table, one.header, part)
        for one in columns
        for parts in one.parts
        for part in parts
        if len(part) > 2 and holds(written[one.table][0], part)
    ]
    assert passed == []


def test_no_identifier_of_a_patient_of_the_source_passes(written: dict[str, tuple[str, Path]]) -> None:
    assert not any(holds(text, one) for text, _ in written.values() for one in IDS)


def test_columns_of_planted_ages_are_left_out_or_end_at_90(written: dict[str, tuple[str, Path]]) -> None:
    # numbers of two digits may stand anywhere, so they are not looked for in the text: the columns kept are
    kept = pd.read_csv(written["identifiers_ages"][1] / "export.csv")
    assert set(kept.columns) <= {"patient_id", "age", "age_months", "age_days"}
    for name, in_a_year in (("age", 1), ("age_months", 12), ("age_days", 365.25)):
        if name in kept:
            assert kept[name].max() <= round(90 * in_a_year) + 1


def test_no_planted_column_keeps_its_cells(written: dict[str, tuple[str, Path]]) -> None:
    # what is left of the planted columns are weeks, capped ages, three digits, and sites that became numbers
    for _, folder in written.values():
        kept = pd.read_csv(folder / "export.csv", dtype="str").drop(columns="patient_id")
        for name, cells in kept.items():
            made = str(name).endswith("week") or str(name).startswith(("zip3", "age"))
            assert made or cells.dropna().str.fullmatch(r"site \d+").all(), name


def around() -> Surroundings:
    patients = pd.Series([f"C{i}" for i in range(CLEAN_PATIENTS)])
    return Surroundings(patients, pd.Series(pd.date_range("2021-01-04", periods=CLEAN_PATIENTS, freq="5D")))


@pytest.fixture(
    scope="module",
    params=[CLEAN[::6], *(pytest.param(one, marks=pytest.mark.slow) for one in (CLEAN, HELD_OUT))],
    ids=["every sixth seen", "seen", "held out"],
)
def clean(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> tuple[pd.DataFrame, Path, Review]:
    """A list of clean columns as a table, its file, and the review of it."""
    table = pd.DataFrame({one.header: one.values for one in request.param})
    source = tmp_path_factory.mktemp("clean") / "source"
    source.mkdir()
    here = around()
    assert here.starts is not None
    table.assign(key=here.patients, first=here.starts.dt.strftime("%Y-%m-%d")).to_csv(
        source / "export.csv", index=False
    )
    return table, source, review_columns(source, patient="key", start="first")


def test_at_most_a_quarter_of_clean_columns_needs_a_person(clean: tuple[pd.DataFrame, Path, Review]) -> None:
    table, _, review = clean
    assert len(table.columns) in {len(CLEAN[::6]), len(CLEAN), len(HELD_OUT)}
    assert min(len(CLEAN), len(HELD_OUT)) >= 150
    asked = [one.column for one in review.undecided]
    assert len(asked) <= 0.25 * len(table.columns), asked


def test_none_is_lost_after_the_decision(clean: tuple[pd.DataFrame, Path, Review], tmp_path: Path) -> None:
    table, source, review = clean
    path = decided(review, table).write(tmp_path / "review.toml")
    deidentify(source, tmp_path / "out", patient="key", start="first", decisions=path)
    kept = pd.read_csv(tmp_path / "out" / "export.csv", dtype="str")
    assert len(kept.columns) == 1 + len(table.columns)
    given = pd.read_csv(source / "export.csv", dtype="str").drop(columns=["key", "first"])
    changed = [
        one.column for one in review.columns if one.proposed in ("number", "cap")
    ]  # sites; ages become whole years
    before = Counter(cells_of(values) for name, values in given.items() if name not in changed)
    assert len(changed) <= 3
    assert before - Counter(cells_of(values) for _, values in kept.items()) == Counter()


def cells_of(values: pd.Series) -> tuple[str, ...]:
    """The cells of a column in an order that does not depend on the rows."""
    return tuple(sorted(values.dropna()))


def decided(review: Review, table: pd.DataFrame) -> Review:
    """Permit every column that is withheld, as a person would who looked at each."""
    said = []
    for one in review.columns:
        if one not in review.undecided:
            said.append(one)
            continue
        values = table[one.column]
        judged = judge(values, one.column, around())
        permission = permission_by_name(judged, values.astype("str").where(values.notna()), around())
        named = f"named_{len(said)}"
        said.append(replace(one, decision=permission.decision, codes=permission.codes, may_see="anyone", name=named))
    return Review(tuple(said))


def test_names_of_files_sheets_and_headers_are_made_anew() -> None:
    things = [one for one in named_things() if one.where in ("file name", "sheet name", "header")]
    assert len(things) >= 25
    for one in things:
        if one.where == "header":
            shown = new_column_name(one.text, 3, named=False) + shown_column(one.text, 3)
        else:
            shown = " ".join(table_names([Path(one.text).stem, "visits"]).values())
        assert not any(part.casefold() in shown.casefold() for part in one.parts), one
