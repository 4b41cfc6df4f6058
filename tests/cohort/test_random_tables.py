"""Whatever stands in a table, it loads or gives findings: never another error."""

from __future__ import annotations

import tempfile
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import HealthCheck, Phase, assume, given, settings
from hypothesis import strategies as st

from analysis.cohort import (
    Cohort,
    FailedCheckError,
    Provenance,
    check_cohort,
    check_folder,
    import_cohort,
    load_cohort,
    write_cohort,
)
from analysis.errors import CohortError

WORDS = st.sampled_from(
    ["P1", "P2", "pain", "ikdc", "quadriceps_torque", "limb_symmetry_index", "involved", "uninvolved", "none", "usual",
     "early", "0", "6", "12", "-3", "5,5", "1e400", "inf", "nan", "NA", "", " ", "2024-03-01", "Maria Miller",
     "jane@example.org", "=1+1", "<b>bold</b>", "true", "no", "9999", "\x1b[31m", "a\nb", 'quo"te', "x,y", "20240301"]
)  # fmt: skip
TEXT = WORDS | st.text(max_size=8)
CELL = TEXT | st.none() | st.integers(-(10**9), 10**9) | st.floats() | st.booleans() | st.datetimes().map(pd.Timestamp)
COLUMNS = ["patient_id", "protocol", "week", "measure", "limb", "value", "age_years", "site", "sessions_done", "locked"]
CALM = settings(
    max_examples=25,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)

MANY = settings(CALM, max_examples=200)


@st.composite
def frames(draw: st.DrawFn, required: tuple[str, ...] = (), cell: st.SearchStrategy = CELL) -> pd.DataFrame:
    names = [*required, *draw(st.lists(st.sampled_from(COLUMNS) | st.text(max_size=6), max_size=4, unique=True))]
    names = list(dict.fromkeys(names))
    n = draw(st.integers(0, 6))
    return pd.DataFrame({name: pd.Series(draw(st.lists(cell, min_size=n, max_size=n)), dtype=object) for name in names})


COHORT_TABLES = (
    frames(required=("patient_id", "protocol")),
    frames(required=("patient_id", "week", "measure", "limb", "value")),
    frames(required=("patient_id", "week", "modality")) | st.none(),
    frames(required=("patient_id", "week")) | st.none(),
    frames(required=("patient_id", "week", "event")) | st.none(),
)
FILE_ROWS = (st.lists(st.tuples(TEXT, TEXT, TEXT, TEXT), max_size=8), st.sampled_from([",", ";"]))


def refused_checked_or_as_it_was(patients, visits, sessions, limits, events):
    try:
        cohort = Cohort(patients, visits, sessions, limits, events)
    except CohortError:
        return
    report = check_cohort(cohort)
    assert len(report.findings) == report.n_errors + report.n_warnings
    assert report.to_text()
    assert report._repr_html_()
    with tempfile.TemporaryDirectory() as place:
        for file_format in ("csv", "parquet"):
            folder = Path(place) / file_format
            if not report.passed:
                with pytest.raises(FailedCheckError) as caught:
                    write_cohort(cohort, folder, file_format=file_format)
                assert caught.value.report.n_errors == report.n_errors
                assert not any(Path(place).iterdir())
                continue
            again = load_cohort(write_cohort(cohort, folder, file_format=file_format))
            for (name, left), (other, right) in zip(cohort.tables(), again.tables(), strict=True):
                assert name == other
                pd.testing.assert_frame_equal(left, right)


@CALM
@given(
    patients=st.text(max_size=80) | st.lists(st.lists(TEXT, max_size=5), max_size=6),
    visits=st.text(max_size=80) | st.lists(st.lists(TEXT, max_size=6), max_size=6),
)
def test_any_files_in_a_folder_give_findings(patients, visits):
    def as_text(content):
        return content if isinstance(content, str) else "\n".join(",".join(row) for row in content)

    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        (folder / "patients.csv").write_text(as_text(patients), encoding="utf-8", newline="")
        (folder / "visits.csv").write_text(as_text(visits), encoding="utf-8", newline="")
        (folder / "datapackage.json").write_text(
            '{"resources": [{"name": "patients", "path": "patients.csv"}, {"name": "visits", "path": "visits.csv"}]}'
        )
        report = check_folder(folder)
        if report.passed:
            assert len(load_cohort(folder).visits) > 0


def imports_or_says_why_not(rows, delimiter):
    with tempfile.TemporaryDirectory() as place:
        file, map_file = Path(place) / "data.csv", Path(place) / "map.toml"
        text = "\n".join(
            ",".join(cell.replace('"', "") for cell in row) for row in [("id", "arm", "wk", "pain"), *rows]
        )
        file.write_text(text, encoding="utf-8", newline="")
        map_file.write_text(
            f'[file]\ndelimiter = "{delimiter}"\n[patients]\npatient_id = "id"\nprotocol = "arm"\n'
            '[week]\ncolumn = "wk"\n[[values]]\nmeasure = "pain"\ncolumn = "pain"\n'
        )
        try:
            cohort = import_cohort(file, map_file).cohort
        except CohortError:
            return
        assert check_cohort(cohort).passed


test_a_cohort_of_any_cells = CALM(given(*COHORT_TABLES)(refused_checked_or_as_it_was))
test_any_file = CALM(given(*FILE_ROWS)(imports_or_says_why_not))
test_two_hundred_cohorts = pytest.mark.slow(MANY(given(*COHORT_TABLES)(refused_checked_or_as_it_was)))
test_two_hundred_files = pytest.mark.slow(MANY(given(*FILE_ROWS)(imports_or_says_why_not)))


NUMBER = st.floats(allow_nan=False, allow_infinity=False) | st.none() | st.just(-0.0)
LABEL = st.text(st.characters(exclude_categories=["Cs", "Nd"], exclude_characters="\x00"), min_size=1, max_size=12)
NAME = st.text(st.characters(exclude_categories=["Cs", "Cc", "Nd"]), min_size=1, max_size=12)


@st.composite
def good_cohorts(draw: st.DrawFn) -> Cohort:
    n = draw(st.integers(1, 5))
    ids = [f"P{i:03}" for i in range(n)]

    def column(cell):
        return st.lists(cell, min_size=n, max_size=n)

    labels = draw(st.lists(LABEL, min_size=1, max_size=4, unique=True))
    patients = pd.DataFrame(
        {
            "patient_id": ids,
            "protocol": pd.Categorical(draw(column(st.sampled_from(labels))), categories=labels),
            "age_years": pd.Series(draw(column(st.floats(0, 90) | st.none())), dtype="float64"),
            draw(NAME): pd.Series(draw(column(NUMBER)), dtype="float64"),
            draw(NAME) + " t": pd.Series(draw(column(LABEL | st.none())), dtype="str"),
            draw(NAME) + " b": pd.Series(draw(column(st.booleans() | st.none())), dtype="boolean"),
            draw(NAME) + " c": pd.Categorical(draw(column(st.sampled_from(labels) | st.none())), categories=labels),
            draw(NAME) + " d": pd.Series(
                draw(column(st.datetimes(pd.Timestamp("1950-01-01"), pd.Timestamp("2100-01-01")) | st.none())),
                dtype="datetime64[us]",
            ),
        }
    )
    seen = draw(
        st.lists(
            st.tuples(st.sampled_from(ids), st.floats(-52, 5200) | st.sampled_from([0.0, 6.0, 12.0])),
            min_size=1, max_size=8, unique=True,
        )
    )  # fmt: skip
    visits = pd.DataFrame(seen, columns=["patient_id", "week"]).assign(measure="pain", limb="none")
    visits["value"] = [draw(st.floats(0, 10)) for _ in seen]
    named = Provenance(decided=[f"patients.{name}" for name in patients])
    return Cohort(patients, visits, privacy="limited", provenance=named)


@settings(
    max_examples=8, phases=[Phase.generate], deadline=None, derandomize=True, suppress_health_check=list(HealthCheck)
)
@given(good_cohorts())
def test_what_is_written_comes_back_exactly(cohort):
    report = check_cohort(cohort)
    assume(report.passed)
    with tempfile.TemporaryDirectory() as place:
        for file_format in ("csv", "parquet"):
            again = load_cohort(write_cohort(cohort, Path(place) / file_format, file_format=file_format))
            for (_, left), (_, right) in zip(cohort.tables(), again.tables(), strict=True):
                pd.testing.assert_frame_equal(left, right, check_exact=True)
                assert list(left.columns) == list(right.columns)
            assert again.privacy == "limited"
            assert again.provenance == cohort.provenance
            assert dict(again.measures) == dict(cohort.measures)
        cut = write_cohort(cohort, Path(place) / "parts", file_format="parquet", partition="protocol")
        part = cohort.patients.set_index("patient_id")["protocol"].cat.codes
        for (_, left), (_, right) in zip(cohort.tables(), load_cohort(cut).tables(), strict=True):
            by_part = left.iloc[left["patient_id"].map(part).argsort(kind="stable")].reset_index(drop=True)
            pd.testing.assert_frame_equal(by_part, right, check_exact=True)
