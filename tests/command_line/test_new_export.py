"""From a clinic's own export to what a report shows, with every decision of a person counted: at most three.

The export was invented for this test. Nothing in it was known to the suggestions before; what they could not read at first
(times of the day after dates in the stated order, a log told by its kinds of session, the map of a folder) was mended since.
"""

from collections import Counter

import pandas as pd
import pytest

from analysis.cohort import load_cohort
from analysis.report import comparison

from .clinic_export import write_export

#: Lines of the suggested map that a person decides on, and what was decided: the reference, the scheduled weeks, what was asked.
DECISIONS = (
    ("# reference = ...", 'reference = "standard"'),
    ("# prescribed = ", 'prescribed = { "neuromuscular electrical stimulation (NMES)" = 4 }'),
    ("# [schedule]", "[schedule]\nweeks = [0, 6, 12, 26]"),
)


@pytest.fixture(scope="module")
def export(tmp_path_factory):
    place = tmp_path_factory.mktemp("clinic")
    (place / "export").mkdir()
    return place, write_export(place / "export")


def decide(answer, path):
    """Write the decisions into a map that was just suggested, and give how many of its lines were not sure."""
    assert answer.code == 0, answer.err
    lines = path.read_text(encoding="utf-8").splitlines()
    open_lines = sum("# not sure" in line for line in lines)
    for start, decided in DECISIONS:
        (i,) = [i for i, line in enumerate(lines) if line.startswith(start)]
        lines[i] = decided
    path.write_text("\n".join(lines), encoding="utf-8")
    return open_lines


def test_a_new_export_needs_at_most_three_decisions(export, kneecurve, monkeypatch):
    place, truth = export
    monkeypatch.chdir(place)
    open_lines = decide(kneecurve("import", "export", "--suggest-map", "--map", "map.toml"), place / "map.toml")
    assert open_lines + len(DECISIONS) <= 3

    answer = kneecurve("import", "export", "--map", "map.toml", "--out", "cohort")
    assert answer.code == 0, answer.err
    cohort = load_cohort(place / "cohort")
    visits = cohort.visits.assign(bound=cohort.visits["bound"].astype("object"))
    found = {tuple(None if pd.isna(one) else one for one in row) for row in visits[["patient_id", "week", "measure", "limb", "value",
                                                                                   "bound"]].itertuples(index=False)}  # fmt: skip
    assert found == truth.visits
    assert cohort.reference == "standard"

    sessions = cohort.sessions
    done = {
        (row.patient_id, row.week, row.modality): row.sessions_done
        for row in sessions.itertuples()
        if row.sessions_done
    }
    named = {
        "NMES": "neuromuscular electrical stimulation (NMES)",
        "TENS": "transcutaneous electrical nerve stimulation (TENS)",
    }
    assert done == Counter((patient, week, named[kind]) for patient, week, kind, _ in truth.sessions)
    assert sessions["minutes_done"].sum() == pytest.approx(sum(minutes for *_, minutes in truth.sessions))
    assert "0 errors, 3 warnings" in answer.out  # limits of two columns, and what was not done; no session is one


@pytest.mark.slow
def test_and_then_there_is_a_report(export, kneecurve, monkeypatch):
    place, truth = export
    monkeypatch.chdir(place)
    decide(kneecurve("import", "export", "--suggest-map", "--map", "of_report.toml"), place / "of_report.toml")
    assert kneecurve("import", "export", "--map", "of_report.toml", "--out", "for_report").code == 0
    study = comparison.prepare_study(place / "for_report")
    assert (study.measure.name, study.limb) == ("quadriceps_torque", "involved")  # N·m/kg, by the body mass
    said = "\n".join(str(part) for part in comparison.measurements(study))
    of = sum(measure == "quadriceps_torque_nm" and limb == "involved" for _, _, measure, limb, *_ in truth.visits)
    assert f"{truth.limits} of {of} values of quadriceps torque are limits" in said
    (answered,) = comparison.answer(study)
    assert "standard" in "\n".join(answered.paragraphs)
