"""Questions with the site's own patient numbers: for the holder of key and source, and for nobody else."""

import os
import secrets
import stat

import pandas as pd
import pytest

from analysis.cohort import deidentify, import_cohort, write_cohort
from analysis.errors import CohortError, DeidentificationError
from analysis.quality import reidentify

MAP = """
[patients]
patient_id = "patient_id"
protocol = "arm"
[week]
column = "week"
[[values]]
measure = "pain"
column = "pain"
"""
N = 12


@pytest.fixture
def way(tmp_path):
    """Go the way of a clinic: de-identify with a key; the pain of each patient says whose row it is (7003 has 0.3)."""
    (tmp_path / "clinic").mkdir()
    rows = [f"{7000 + i} ,usual,{week},{i / 10}" for i in range(N) for week in (0, 6)]
    (tmp_path / "clinic" / "export.csv").write_text("\n".join(["MRN,arm,week,pain", *rows]) + "\n")
    key = tmp_path / "keys" / "clinic.key"
    deidentify(tmp_path / "clinic" / "export.csv", tmp_path / "clean", patient="MRN", key_file=key)
    clean = pd.read_csv(tmp_path / "clean" / "export.csv", dtype=str)
    asked = clean[clean["week"].isin(["0", "0.0"])].assign(problem="=is it so?", answer="")[
        ["patient_id", "pain", "problem", "answer"]
    ]
    (tmp_path / "questions").mkdir()
    asked.to_csv(tmp_path / "questions" / "findings_north.csv", index=False)
    options = {"key_file": key, "source": tmp_path / "clinic" / "export.csv", "patient": "MRN"}
    return tmp_path, asked, options


def test_each_row_has_the_number_of_its_patient_and_is_otherwise_as_it_was(way):
    place, asked, options = way
    done = reidentify(place / "questions" / "findings_north.csv", place / "named.csv", **options)
    named = pd.read_csv(place / "named.csv", dtype=str, keep_default_na=False)
    assert list(named) == ["patient_id", "own_patient_number", "pain", "problem", "answer"]
    assert named["own_patient_number"].tolist() == [str(7000 + round(10 * float(pain))) for pain in named["pain"]]
    assert named.drop(columns="own_patient_number").to_numpy().tolist() == asked.to_numpy().tolist()
    assert done == place / "named.csv"


@pytest.mark.skipif(os.name != "posix", reason="modes of files")
def test_the_file_is_for_its_owner_alone_also_where_it_replaces_an_open_one(way):
    place, _, options = way
    named = place / "named.csv"
    named.write_text("open to all")
    named.chmod(0o644)
    with pytest.raises(CohortError, match="a file of that name already"):
        reidentify(place / "questions", named, **options)
    assert named.read_text() == "open to all"
    reidentify(place / "questions", named, overwrite=True, **options)
    assert stat.S_IMODE(named.stat().st_mode) == 0o600
    assert sorted(one.name for one in place.iterdir() if one.name.startswith((".", "named"))) == ["named.csv"]


def test_a_folder_of_questions_says_which_file_a_row_is_from(way):
    place, asked, options = way
    more = pd.concat([asked.head(2), asked.head(1).assign(patient_id="")])
    more.to_csv(place / "questions" / "findings_south.csv", index=False)
    done = reidentify(place / "questions", place / "named.csv", **options)
    named = pd.read_csv(place / "named.csv", dtype=str, keep_default_na=False)
    assert named["file"].value_counts().to_dict() == {"findings_north.csv": N, "findings_south.csv": 3}
    assert named["own_patient_number"].iloc[-1] == ""  # a question about no patient
    assert pd.read_csv(done, dtype=str)["own_patient_number"].nunique() == N


def test_patients_of_another_key_are_counted_and_nothing_is_written(way):
    place, asked, options = way
    asked.iloc[[0] * 2 + [1]].assign(patient_id=["P0", "P0", "P1"]).to_csv(
        place / "questions" / "others.csv", index=False
    )
    with pytest.raises(
        DeidentificationError, match="Of 14 patients in the questions 2 are not of this key and source; nothing"
    ):
        reidentify(place / "questions", place / "named.csv", **options)
    other = place / "keys" / "other.key"
    other.write_text(secrets.token_hex(32))
    other.chmod(0o600)
    with pytest.raises(DeidentificationError, match="12 are not of this key"):
        reidentify(place / "questions" / "findings_north.csv", place / "named.csv", **{**options, "key_file": other})
    assert not (place / "named.csv").exists()


def test_a_key_is_never_made_on_the_way_back(way):
    place, _, options = way
    with pytest.raises(DeidentificationError, match="There is no such key"):
        reidentify(place / "questions", place / "named.csv", **{**options, "key_file": place / "keys" / "new.key"})
    assert not (place / "keys" / "new.key").exists()


@pytest.mark.skipif(os.name != "posix", reason="modes of files")
def test_a_key_that_others_may_read_is_refused(way):
    place, _, options = way
    options["key_file"].chmod(0o644)
    with pytest.raises(DeidentificationError, match="Others may read"):
        reidentify(place / "questions", place / "named.csv", **options)


@pytest.mark.parametrize("where", ["cohort/named.csv", "cohort/deep/named.csv", "cohort/patients.csv"])
def test_nothing_is_written_into_a_cohort(way, where):
    place, _, options = way
    (place / "map.toml").write_text(MAP)
    write_cohort(import_cohort(place / "clean" / "export.csv", place / "map.toml").cohort, place / "cohort")
    (place / "cohort" / "deep").mkdir()
    before = (place / "cohort" / "patients.csv").read_bytes()
    with pytest.raises(DeidentificationError, match="would lie in a cohort folder"):
        reidentify(place / "questions", place / where, overwrite=True, **options)
    assert (place / "cohort" / "patients.csv").read_bytes() == before


def test_questions_about_no_patients_and_those_that_were_named_already(way):
    place, _, options = way
    (place / "bad.csv").write_text("a,b\n1,2\n")
    with pytest.raises(CohortError, match="lack the column patient_id"):
        reidentify(place / "bad.csv", place / "named.csv", **options)
    reidentify(place / "questions", place / "named.csv", **options)
    with pytest.raises(CohortError, match="have the column own_patient_number already"):
        reidentify(place / "named.csv", place / "twice.csv", **options)


def test_a_cohort_folder_is_a_source_too(way):
    place, _, options = way
    (place / "map.toml").write_text(MAP.replace('"patient_id"\n', '"MRN"\n', 1).replace('= "patient_id"', '= "MRN"'))
    write_cohort(import_cohort(place / "clinic" / "export.csv", place / "map.toml").cohort, place / "with_numbers")
    done = reidentify(
        place / "questions", place / "named.csv", key_file=options["key_file"], source=place / "with_numbers"
    )
    assert pd.read_csv(done, dtype=str)["own_patient_number"].nunique() == N
