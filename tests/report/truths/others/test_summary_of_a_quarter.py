"""What the summary says of counts whose truth is planted: verdicts in plain words, targets, what to do, and small lines."""

import datetime
from dataclasses import replace

import pytest

from analysis.errors import ReportError
from analysis.report import quarter
from analysis.report.figures.quarters.summary_picture import _PLACES
from analysis.report.parts.axes import wrap
from analysis.report.quarter.agreed.quarter_file import read_quarter_file
from analysis.report.quarter.findings.board_words import verdict_plain

from .planted_quarters import FOUR, plant, prepared
from .test_quarter_truths import TRUTHS

#: Truths of a quarter, the verdict on the main outcome, what to do about it, and the line that stands over all.
SAID = {
    "nothing there": ("as before", "Go on.", "of the 3 indicators judged, 3 are as before; completeness reaches its floor in 1 of 1 measure"),
    "a true improvement": (
        "getting better since Q1 2025", "Find out what helped since Q1 2025, and keep it.",
        "of the 3 indicators judged, 2 are getting better and 1 is as before",
    ),
    "better, and more harms": (
        "getting better", "Find out what helped in this quarter, and keep it.",
        "of the 3 indicators judged, 1 is getting worse, 1 is getting better and 1 is as before",
    ),
    "half lost, better those seen": (
        "cannot say: too many were lost", "Reach those who were lost; until then nothing is concluded.",
        "the one indicator judged is as before; of 2 more nothing can be said; completeness reaches its floor in 0 of 1 measure",
    ),
    "too few quarters": (
        "cannot say: too few quarters yet", "Go on counting; nothing is concluded yet.",
        "nothing can be said yet of any of the 3 indicators",
    ),
    "not yet due": ("cannot say: not yet due", "Wait until they are due.", "of 2 more nothing can be said"),
    "all hidden": (
        "cannot say: small counts are hidden", "Look at several quarters together.",
        "nothing can be said yet of any of the 3 indicators",
    ),
    "nothing varies": ("as before, worth a look", "Look at its chart before the next quarter.", "of the 3 indicators judged, 3 are as before"),
}  # fmt: skip


def summary_of(study):
    (table,) = quarter.summary(study)
    return table, table.data.set_index("name")


@pytest.mark.parametrize("truth", SAID)
def test_the_verdict_is_plain_and_says_nothing_of_what_was_not_judged(truth, tmp_path):
    cohort, options, *_ = TRUTHS[truth]
    study = prepared(plant(**cohort), tmp_path, **options)
    table, rows = summary_of(study)
    verdict, to_do, over_all = SAID[truth]
    assert rows.loc["Patients improved", "verdict"] == verdict
    assert rows.loc["Patients improved", "to_do"] == to_do
    assert over_all in table.message
    for one, told in zip(
        [*study.found.beside_completeness, *study.found.completeness], table.data["verdict"], strict=False
    ):
        # Nothing is called unchanged that no chart could judge.
        assert told.startswith("cannot say") or one.judged


@pytest.mark.parametrize(
    "verdict", ["signal", "no signal", "too early", "too many lost", "not yet due", "hidden", "nobody"]
)
@pytest.mark.parametrize("direction", ["better", "worse", ""])
def test_no_verdict_is_cut_on_the_slide(verdict, direction, tmp_path):
    found = prepared(plant(quarters=5), tmp_path).found
    one = found.of("improved")
    for look in ((), ("shift",)):
        change = replace(one.change, verdict=verdict, way="falling", direction=direction, since="2022-Q4", look=look)
        _, letters = _PLACES["verdict"]
        told = verdict_plain(found, replace(one, change=change))
        assert wrap(told, letters, lines=2).replace("\n", " ") == told


@pytest.mark.parametrize(
    ("target", "told", "to_do"),
    [
        (0.4, "40 %, met for certain", "Go on."),
        (0.9, "90 %, missed", "Change the process; this quarter alone explains nothing."),
        (0.6, "60 %, not certain", "Go on; more patients will tell about the target."),
    ],
)
def test_targets_of_the_quarter_file_are_judged_by_the_interval(tmp_path, target, told, to_do):
    (tmp_path / "cohort").mkdir()
    (tmp_path / "cohort.quarter.toml").write_text(f"[targets]\nimproved = {target}\n")
    _, rows = summary_of(prepared(plant(), tmp_path / "cohort"))
    assert rows.loc["Patients improved", "aim"] == told
    assert rows.loc["Patients improved", "to_do"] == to_do


def test_the_open_action_about_an_indicator_is_what_to_do_and_is_carried_on(tmp_path):
    folder = tmp_path / "cohort"
    folder.mkdir()
    path = tmp_path / "cohort.quarter.toml"
    path.write_text(
        '[[actions]]\naction = "Call before week 26"\nowner = "clinic lead"\ndue = 2026-09-30\nindicator = "improved"\n'
        '[[changes]]\nperiod = "2025-Q1"\nwords = "new garment"\n'
    )
    cohort = plant(improved=lambda q, site: 0.4 if q == 15 else 0.6)
    study = prepared(cohort, folder)
    assert study.annotations == (("2025-Q1", "new garment"),)
    _, rows = summary_of(study)
    assert rows.loc["Patients improved", "to_do"] == "Call before week 26 (clinic lead, by 30 September 2026)."
    words, table = quarter.actions(study)
    assert "1 action open" in words.paragraphs[0]
    assert table.data.loc[0].tolist()[:3] == ["Call before week 26", "Patients improved", "clinic lead"]
    assert "a signal without an action" in table.data["state"].tolist()  # the mean fell too
    quarter.record_release(study)
    path.write_text('[[actions]]\naction = "Call before week 26"\nstate = "done"\nindicator = "improved"\n')
    later = prepared(plant(quarters=17, improved=lambda q, site: 0.4 if q == 15 else 0.6), folder)
    words, table = quarter.actions(later)
    assert "No action open, 1 closed since the last release" in words.paragraphs[0]
    assert table.message.startswith("Actions of the team: no action open, 1 closed since the last release")
    _, rows = summary_of(later)
    assert "Call before" not in rows.loc["Patients improved", "to_do"]


def test_small_lines_say_in_words_what_they_draw(tmp_path):
    cohort = plant(started={"north": 1, "east": 1, "south": 1, "west": 1}, each=1, quarters=14)
    hidden, _ = summary_of(prepared(cohort, tmp_path))
    assert set(", ".join(hidden.data["line"]).split(", ")) <= {"hidden", "not yet due", "–"}
    assert hidden.pictures["Last 4 quarters"] == (b"",) * len(hidden.data)
    shown, rows = summary_of(prepared(plant(), tmp_path))
    values = rows.loc["Patients improved", "line"].split(", ")
    assert len(values) == 4
    assert values[-1] == rows.loc["Patients improved", "value"]
    *drawn, of_sites = shown.pictures["Last 4 quarters"]
    assert all(one.startswith(b"\x89PNG") for one in drawn)
    assert of_sites == b""


def test_what_is_shown_of_a_small_quarter_is_internal_and_says_so_on_top(tmp_path):
    study = prepared(plant(), tmp_path, small_counts="shown")
    kinds = {one.kind: one.paragraphs for one in quarter.subtitle(study)}
    assert kinds["watermark"] == ("Internal: small counts are shown. Not for release.",)
    assert "watermark" not in {one.kind for one in quarter.subtitle(prepared(plant(), tmp_path))}


def test_a_named_quarter_file_is_read_and_its_dates_are_dates(tmp_path):
    path = tmp_path / "other.toml"
    path.write_text('[[actions]]\naction = "Meet"\ndue = 2026-01-15\n')
    assert read_quarter_file(path).actions[0].due == datetime.date(2026, 1, 15)
    study = prepared(plant(sites=FOUR), tmp_path, quarter_file=str(path))
    assert quarter.actions(study).items[-1].data["due"].tolist()[0] == "15 January 2026"


def test_what_misses_its_floor_by_a_hair_is_not_shown_as_equal_to_it(tmp_path):
    study = prepared(
        plant(sites=("only",), each=499, seen=lambda q, site: 0.798 if q == 15 else 0.9, spread=0.0), tmp_path
    )
    _, rows = summary_of(study)
    name = next(one for one in rows.index if one.startswith("Completeness"))
    assert rows.loc[name, ["value", "counts", "aim"]].tolist() == ["79.8 %", "398/499", "floor 80 %, not reached"]
    (table,) = quarter.completeness(study)
    assert table.data["value"].tolist() == ["79.8 %"]


def test_a_signal_in_completeness_is_in_the_line_over_all(tmp_path):
    study = prepared(plant(seen=lambda q, site: 0.7 if q == 15 else 0.9), tmp_path)
    table, _ = summary_of(study)
    assert "completeness reaches its floor in 0 of 1 measure, getting worse in the one measure" in table.message


def test_the_signal_of_a_site_asks_for_an_action_about_it(tmp_path):
    folder = tmp_path / "cohort"
    folder.mkdir()
    bad = plant(improved=lambda q, site: 0.2 if site == "west" else 0.6)
    *_, table = quarter.actions(prepared(bad, folder))
    assert "Patients improved: west (below)" in table.data["about"].tolist()
    assert table.message.endswith("signal without one") or table.message.endswith("signals without one")
    (tmp_path / "cohort.quarter.toml").write_text(
        '[[actions]]\naction = "Visit the clinic"\nindicator = "improved"\nsite = "west"\n'
    )
    *_, table = quarter.actions(prepared(bad, folder))
    assert table.data.loc[0, ["action", "about"]].tolist() == ["Visit the clinic", "Patients improved: west"]
    assert "Patients improved: west (below)" not in table.data["about"].tolist()
    (tmp_path / "cohort.quarter.toml").write_text('[[actions]]\naction = "Visit"\nsite = "west end"\n')
    with pytest.raises(ReportError, match="'west end', which is no site"):
        prepared(bad, folder)


@pytest.mark.parametrize(
    ("cohort", "verdict"),
    [
        ({}, "none has a signal"),
        ({"improved": lambda q, site: 0.2 if site == "west" else 0.6}, "1 has a signal: west (below)"),
        (TRUTHS["one site bad but hidden"][0], "none has a signal; 2 hidden"),
        ({"sites": ("a", "b"), "each": 2, "quarters": 5}, "cannot say: small counts are hidden"),
    ],
)
def test_the_sites_stand_in_the_summary_with_how_many_were_judged(cohort, verdict, tmp_path):
    study = prepared(plant(**cohort), tmp_path)
    _, rows = summary_of(study)
    assert rows.loc["Sites, patients improved", "verdict"] == verdict
    n = len(study.released.sites)
    assert rows.loc["Sites, patients improved", "counts"] == f"of {n} judged"
    assert int(rows.loc["Sites, patients improved", "value"]) == study.found.sites.judged


def test_one_site_is_compared_with_nothing(tmp_path):
    _, rows = summary_of(prepared(plant(sites=("only",), each=160), tmp_path))
    assert not [one for one in rows.index if one.startswith("Sites")]
