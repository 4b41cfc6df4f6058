"""The kinds of home session carry the field's names; spellings of files and names of earlier versions are read."""

import pandas as pd
import pytest

from analysis.cohort import Cohort, Provenance, check_folder, deidentify, import_cohort, load_cohort, write_cohort
from analysis.cohort.importing.map_file import read_map
from analysis.cohort.modalities import EARLIER_NAMES, MODALITIES, NMES, TENS, modality_of
from analysis.cohort.recognition.trade_words import shown_cell
from analysis.cohort.tables import TABLES

from .importing.one_measure import LONG

LOG = '[session_log]\nweek = "week"\nmodality = "kind"\nminutes = "minutes"\nprescribed = { "nmes" = 5, "Exercises" = 6 }\nweeks = [1, 2]\n'
WEEKS = '[sessions]\nweek = "week"\nmodality = "kind"\nminutes_done = "minutes"\nsessions_done = { constant = 1 }\n'


@pytest.mark.parametrize(
    ("label", "modality"),
    [
        ("NMES", NMES), ("nmes", NMES), ("Neuromuscular electrical stimulation", NMES), (NMES, NMES), (NMES.upper(), NMES),
        ("neuro-muscular electric stimulation (NMES)", NMES), ("EMS", NMES), ("Electrical muscle stimulation", NMES),
        ("e-stim", NMES), ("quad stim", NMES), ("quadriceps stimulation", NMES), ("strength stimulation", NMES),
        ("TENS", TENS), ("T.E.N.S.", "T.E.N.S."), ("transcutaneous electrical nerve stimulation", TENS), (TENS, TENS),
        ("Trans-cutaneous nerve stimulation", TENS), ("pain_stimulation", TENS),
        ("Exercise", "exercise"), ("home exercises", "exercise"), ("exercise programme", "exercise"),
        ("walk", "walk"), ("stimulation", "stimulation"), ("tension", "tension"), ("no exercise", "no exercise"), ("", ""),
    ],
)  # fmt: skip
def test_spellings(label, modality):
    assert modality_of(label) == modality


def test_the_names_are_those_of_the_field():
    assert MODALITIES == (
        "exercise", "neuromuscular electrical stimulation (NMES)", "transcutaneous electrical nerve stimulation (TENS)"
    )  # fmt: skip
    assert TABLES["sessions"].column("modality").categories == MODALITIES
    assert set(EARLIER_NAMES.values()) == {NMES, TENS}
    assert [shown_cell(one) for one in MODALITIES] == list(MODALITIES)  # words of the trade: nothing to hide


@pytest.mark.parametrize("section", [LOG, WEEKS])
def test_short_forms_and_spellings_are_recognised_on_import(tmp_path, section):
    (tmp_path / "a.csv").write_text(
        "id,arm,week,pain,kind,minutes\nP1,a,1,6,NMES,20\nP1,a,2,5,Tens,30\nP2,b,1,5,Exercises,10\nP2,b,2,5,walk,10\n"
    )
    (tmp_path / "map.toml").write_text(
        LONG + section.replace('"kind"', '{ column = "kind", recode = { walk = "EMS" } }')
    )
    sessions = import_cohort(tmp_path / "a.csv", tmp_path / "map.toml").cohort.sessions
    done = sessions[sessions["sessions_done"] > 0]
    assert done[["patient_id", "week", "modality"]].to_numpy().tolist() == [
        ["P1", 1, NMES], ["P1", 2, TENS], ["P2", 1, "exercise"], ["P2", 2, NMES]
    ]  # fmt: skip
    assert set(sessions["modality"].cat.categories) <= set(MODALITIES)


def test_a_map_may_write_them_in_any_spelling(tmp_path):
    text = (
        LONG
        + LOG.split("prescribed")[0]
        + '[[session_log.prescribed]]\nprotocol = "a"\nmodality = "nmes"\nsessions = 5\nweeks = [1, 2]\n'
    )
    (tmp_path / "map.toml").write_text(text + '[[programme]]\nmodality = "pain stimulation"\nminutes = 40\n')
    mapped = read_map(tmp_path / "map.toml")
    assert (mapped.session_log.prescribed[0].modality, mapped.programme[0].modality) == (NMES, TENS)
    (tmp_path / "map.toml").write_text(LONG + LOG)
    assert read_map(tmp_path / "map.toml").session_log.prescribed == {NMES: 5, "exercise": 6}


@pytest.mark.parametrize("file_format", ["csv", "parquet"])
def test_a_folder_of_an_earlier_version_is_read_with_the_names_of_today_and_that_is_on_record(tmp_path, file_format):
    patients = pd.DataFrame({"patient_id": ["a", "b"], "protocol": ["usual", "early"]})
    visits = pd.DataFrame({"patient_id": ["a", "b"], "week": 0, "measure": "pain", "limb": "none", "value": 4})
    sessions = pd.DataFrame(
        {"patient_id": ["a", "a", "b"], "week": 1, "modality": [NMES, TENS, "exercise"], "sessions_done": 2}
    )
    made = Cohort(patients, visits, sessions=sessions, provenance=Provenance(scenario="meniscus surgery", seed=1))
    folder = write_cohort(made, tmp_path / "cohort", file_format=file_format)
    assert not any("earlier version" in step for step in load_cohort(folder).provenance.steps)
    names = {today: earlier for earlier, today in EARLIER_NAMES.items()}
    old = sessions.assign(modality=sessions["modality"].replace(names))
    if file_format == "csv":
        old.to_csv(folder / "sessions.csv", index=False)
    else:
        old.to_parquet(folder / "sessions.parquet")
    descriptor = (folder / "datapackage.json").read_text()
    for today, earlier in names.items():
        descriptor = descriptor.replace(today, earlier)
    (folder / "datapackage.json").write_text(descriptor)
    read = load_cohort(folder)
    assert read.sessions["modality"].tolist() == [NMES, TENS, "exercise"]
    assert list(read.sessions["modality"].cat.categories) == list(MODALITIES)
    assert read.provenance.steps[-1] == (
        "Kinds of session of an earlier version were read by the names of today: strength stimulation is "
        "neuromuscular electrical stimulation (NMES), pain stimulation is transcutaneous electrical nerve stimulation (TENS)"
    )
    assert "the label is not a known one" not in set(check_folder(folder).findings["problem"])
    deidentify(folder, tmp_path / "clean", keep=["protocol"])
    assert set(load_cohort(tmp_path / "clean").sessions["modality"]) == set(MODALITIES)
