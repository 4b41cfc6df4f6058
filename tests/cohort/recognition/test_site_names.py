"""One site however its name is written; names that no file can tell apart are refused; wherever sites are read."""

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.cohort import Cohort, check_cohort, deidentify, import_cohort, load_cohort, write_cohort
from analysis.cohort.files.data_package import check_folder
from analysis.cohort.recognition.site_names import one_name_a_site, site_file_word, site_key
from analysis.errors import CohortError
from analysis.quality.site_export import file_words

SPELLINGS = ["Clinic 01", "clinic 01", "Clinic 01 ", "Clinic 01", "Clinic 02"]
MAP = """
[patients]
patient_id = "id"
protocol = "arm"
site = "clinic"
[week]
column = "week"
[[values]]
measure = "pain"
column = "pain"
"""


def cohort_of(sites):
    ids = [f"P{i:02d}" for i in range(10, 10 + len(sites))]
    patients = pd.DataFrame({"patient_id": ids, "protocol": "usual", "site": sites})
    return Cohort(patients, pd.DataFrame({"patient_id": ids, "week": 0, "measure": "pain", "limb": "none", "value": 4}))


@pytest.mark.parametrize("kind", ["str", "category"])
def test_the_most_frequent_spelling_stays_and_the_type_too(kind):
    values = pd.Series([*SPELLINGS, None], dtype="str").astype(kind)
    found = one_name_a_site(values)
    assert found.names.dropna().tolist() == ["Clinic 01"] * 4 + ["Clinic 02"]
    assert found.names.dtype == ("category" if kind == "category" else values.dtype)
    (spellings,) = found.spellings
    assert spellings[0] == "Clinic 01"
    assert set(spellings) == set(SPELLINGS[:3])
    assert found.names.isna().tolist() == values.isna().tolist()


def test_sites_of_one_spelling_stay_as_they_are():
    values = pd.Series(["b", "a", None])
    found = one_name_a_site(values)
    assert found.names is values
    assert (found.joined, found.collision) == ("", "")


def test_a_name_that_may_be_a_place_is_shown_by_its_shape():
    assert "Amberg" not in one_name_a_site(pd.Series(["Amberg", "amberg", "A-b", "A b"])).joined


def imported(tmp_path, sites):
    rows = [f"P{i:02d},usual,{site},{week},{4 + week}" for i, site in enumerate(sites) for week in (0, 6)]
    (tmp_path / "in.csv").write_text("\n".join(["id,arm,clinic,week,pain", *rows]) + "\n", encoding="utf-8")
    (tmp_path / "map.toml").write_text(MAP, encoding="utf-8")
    return import_cohort(tmp_path / "in.csv", tmp_path / "map.toml")


def test_an_import_makes_one_site_and_names_its_spellings_once(tmp_path):
    found = imported(tmp_path, SPELLINGS)
    assert found.cohort.patients["site"].cat.categories.tolist() == ["Clinic 01", "Clinic 02"]
    told = found.checked.findings
    told = told[told["column"].isin(["clinic", "site"])]
    assert told["severity"].tolist() == ["warning"]
    assert "1 site stands in several spellings" in told["problem"].item()
    assert all(repr(name) in told["problem"].item() for name in SPELLINGS[:3])


def test_a_site_in_another_spelling_at_a_later_visit_is_no_change(tmp_path):
    text = "id,arm,clinic,week,pain\nP1,usual,North,0,4\nP1,usual,north,6,4\nP2,usual,North,0,4\n"
    (tmp_path / "in.csv").write_text(text)
    (tmp_path / "map.toml").write_text(MAP)
    findings = import_cohort(tmp_path / "in.csv", tmp_path / "map.toml").checked.findings
    assert not findings["problem"].str.contains("differs from the first").any()


def test_sites_that_files_cannot_tell_apart_are_refused(tmp_path):
    with pytest.raises(CohortError, match="1 error") as caught:
        imported(tmp_path, ["Clinic 02", "Clinic_02", "Clinic 03"])
    found = caught.value.report.findings
    assert "'Clinic 02' and 'Clinic_02'" in found.loc[found["severity"] == "error", "problem"].item()


def test_a_folder_written_by_another_program_is_read_the_same(tmp_path):
    folder = write_cohort(cohort_of(["Clinic 01"] * 3 + ["Clinic 02"]), tmp_path / "cohort")
    file = folder / "patients.csv"
    file.write_text(file.read_text().replace("Clinic 01", "clinic 01 ", 1))
    assert load_cohort(folder).patients["site"].astype("str").tolist() == ["Clinic 01"] * 3 + ["Clinic 02"]
    assert check_folder(folder).findings["problem"].str.contains("several spellings").sum() == 1
    file.write_text(file.read_text().replace("Clinic 02", "Clinic_01"))
    with pytest.raises(CohortError, match="differ by signs only"):
        load_cohort(folder)


def test_a_cohort_made_in_code_has_one_site():
    cohort = cohort_of(SPELLINGS)
    assert cohort.patients["site"].nunique() == 2
    assert not check_cohort(cohort).findings["column"].eq("site").any()


def test_deidentified_sites_of_several_spellings_have_one_number(tmp_path):
    rows = [f"M{i},{SPELLINGS[i % 5]},{50 + i % 7}" for i in range(20)]
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "clinic.csv").write_text("\n".join(["id,clinic,koos_pain", *rows]) + "\n")
    report = deidentify(tmp_path / "in" / "clinic.csv", tmp_path / "out", patient="id")
    written = pd.read_csv(tmp_path / "out" / "clinic.csv")
    assert sorted(written["clinic"].value_counts().tolist()) == [4, 16]
    assert any("count as one: 'Clinic 01', 'clinic 01'" in one for one in report.warnings)


@given(st.lists(st.text(max_size=12), max_size=8))
def test_no_two_sites_share_a_file_on_any_system(sites):
    words = file_words(sites)
    keys = {site_key(site) for site in sites}
    assert len({site_key(word) for word in words.values()}) == len(keys)
    assert all(
        word and "/" not in word and "\\" not in word and word == site_file_word(word) for word in words.values()
    )
    assert {site_key(site): site_key(word) for site, word in words.items()} == {
        site_key(site): site_key(words[site]) for site in sites
    }
