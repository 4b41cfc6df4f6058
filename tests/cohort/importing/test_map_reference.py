"""The map reference: made from the code that reads maps, in the documentation as printed, and at the end of every error."""

import re
import tomllib
from dataclasses import fields
from pathlib import Path
from typing import get_args

import pytest

from analysis.cohort.catalogue import load_catalogue, read_measure
from analysis.cohort.importing import map_reference as reference
from analysis.cohort.importing.map_file import read_map
from analysis.cohort.importing.map_reference import map_reference
from analysis.cohort.measures import Measure
from analysis.cohort.recognition.header_words import TimeUnit
from analysis.errors import CohortError

DOCUMENT = Path(__file__).resolve().parents[3] / "docs" / "map-reference.md"
TEXTS = {
    "top": "", "patients": '[patients]\npatient_id = "id"\nprotocol = "arm"\n', "week": '[week]\ncolumn = "week"\n',
    "values": '[[values]]\nmeasure = "pain"\ncolumn = "vas"\n',
}  # fmt: skip
LOG = '[session_log]\nweek = "w"\nmodality = "m"\nminutes = "x"\n'
#: The same in one line, so that its keys are not taken for those of a block under it.
ANY_LOG = 'session_log.week = "w"\nsession_log.modality = "m"\nsession_log.minutes = "x"\n'
#: Each section with the parts of a map that it takes the place of, the lines that a key needs beside it, and those that it
#: cannot stand beside.
PLACES = {
    reference.TOP: ("top", "", ""),
    reference.FILE: ("file", "[file]\n", ""),
    reference.FILES: ("files", "[files]\n", ""),
    reference.PATIENTS: ("patients", TEXTS["patients"], ""),
    reference.COLUMN: ("column", '[events]\nweek = "w"\n[events.event]\ncolumn = "what"\n', "constant: column"),
    reference.VISITS: ("visits", "[visits]\n", ""),
    reference.WEEK: ("week", TEXTS["week"], "date: column; start: ; dates: column"),
    reference.SCHEDULE: ("schedule", "[schedule]\nweeks = [0]\n", "windows: weeks"),
    reference.WINDOW: ("window", "[[schedule.windows]]\nweek = 6\nfrom = 4\nto = 8\n", ""),
    reference.LONG_VALUES: ("values", TEXTS["values"], "measure_column: measure"),
    reference.WIDE_VALUES: ("values", '[[values]]\nmeasure = "pain"\ncolumns = { a = 0 }\n', "pattern: columns"),
    reference.MEASURE: ("measures", '[measures.own]\nunit = "m"\ndirection = "higher is better"\n', ""),
    reference.SESSION_LOG: ("session_log", LOG, "start: week"),
    reference.PRESCRIBED: (
        "prescribed",
        '[[session_log.prescribed]]\nprotocol = "a"\nmodality = "exercise"\nsessions = 5\nweeks = [1, 8]\n',
        "",
    ),
    reference.PROGRAMME: ("programme", '[[programme]]\nmodality = "exercise"\n', ""),
    reference.HOME["sessions"]: ("home", '[sessions]\nweek = "w"\nmodality = "m"\n', "date: week"),
    reference.HOME["brace_limits"]: ("home", '[brace_limits]\nweek = "w"\n', "date: week"),
    reference.HOME["events"]: ("home", '[events]\nweek = "w"\nevent = "e"\n', "date: week"),
}
SECTIONS = [
    pytest.param(section, key, id=f"{section.heading} {key.name}") for section in PLACES for key in section.keys
]


def text_with(section, key, line):
    """Give a map that has a line for a key of a section, and all that has to be there."""
    place, text, beside = PLACES[section]
    conflicts = dict(one.split(": ") for one in beside.split("; ") if one)
    for name in {key.name, *conflicts.get(key.name, "").split()}:
        text = re.sub(rf"^{name} = .*\n", "", text, flags=re.MULTILINE)
    wide = section is reference.WIDE_VALUES or key.name in ("dates", "layout")
    more = (
        {"date": 'start = "op"\n', "dates": 'start = "op"\n', "end": 'start = "s"\n'}
        if place in ("week", "session_log")
        else {"baseline_week": 'baseline = "pre"\n'}
    )
    if key.name == "end":
        text = text.replace('week = "w"\n', "")
    parts = TEXTS | ({"week": "", "values": PLACES[reference.WIDE_VALUES][1]} if wide else {})
    parts |= {"top": ANY_LOG} if place == "prescribed" or (place, key.name) == ("files", "session_log") else {}
    parts |= {"home": PLACES[reference.HOME[key.name]][1]} if place == "files" and key.name in reference.HOME else {}
    parts |= {place: text + line + "\n" + more.get(key.name, "")}
    return ('layout = "wide"\n' if wide and key.name != "layout" else "") + "".join(parts.values())


def read(tmp_path, text):
    path = tmp_path / "map.toml"
    path.write_text(text, encoding="utf-8")
    return read_map(path)


def test_the_documentation_is_what_the_code_says():
    """To write it anew: kneecurve map-reference > docs/map-reference.md."""
    assert DOCUMENT.read_text(encoding="utf-8") == map_reference() + "\n"


def test_every_section_is_in_the_reference_and_tried_here():
    assert set(PLACES) | {reference.MEASURES} == {
        one for one in vars(reference).values() if isinstance(one, reference.Section)
    } | set(reference.HOME.values())
    for section in PLACES:
        assert f"\n## {section.heading}\n" in map_reference()


@pytest.mark.parametrize(("section", "key"), SECTIONS)
def test_every_example_can_be_read(tmp_path, section, key):
    if key.example.startswith("["):
        assert key.name in tomllib.loads(key.example)
        return
    assert list(tomllib.loads(key.example)) == [key.name]
    read(tmp_path, text_with(section, key, key.example))


@pytest.mark.parametrize(("section", "key"), SECTIONS)
def test_every_error_about_a_key_ends_with_its_own_lines(tmp_path, section, key):
    """A date is nothing that a key takes."""
    if key.example.startswith("[") or (section is reference.MEASURE and key.name in ("unit", "label", "description")):
        return  # a measure takes any value for a text
    if key.name == "as_of":
        return  # the one key that is a date
    with pytest.raises(CohortError, match=key.name) as caught:
        read(tmp_path, text_with(section, key, f"{key.name} = 2024-03-01"))
    assert "map.toml" in caught.value.where
    lines = [line.strip() for line in str(caught.value).splitlines()]
    assert all(line in lines for line in key.lines)
    assert lines[-1].startswith("for example: ")


@pytest.mark.parametrize(("section", "key"), [one for one in SECTIONS if one.values[1].required])
def test_a_required_key_that_is_missing_is_shown(tmp_path, section, key):
    text = text_with(section, key, "")
    text = text.replace(TEXTS[key.name], "") if section is reference.TOP else text
    if key.name == "values":  # has a message of its own
        return
    with pytest.raises(CohortError, match=f"The key '{key.name}' is missing") as caught:
        read(tmp_path, text)
    assert str(caught.value).endswith("\n    ".join(key.lines))


def test_a_key_that_is_nearly_one_is_shown_with_the_one_it_may_mean(tmp_path):
    with pytest.raises(CohortError, match="'colunm' does not exist") as caught:
        read(tmp_path, "".join(TEXTS.values()).replace('column = "week"', 'colunm = "week"'))
    assert str(caught.value).endswith(
        'column: a text. Column with the time, or with the names of visits; long files.\n    for example: column = "day"'
    )


def test_what_is_declared_elsewhere_is_all_declared_here():
    assert {key.name for key in reference.MEASURE.keys} == {one.name for one in fields(Measure)} - {"name"}
    plain = read_measure("own", {"unit": "m", "direction": "higher is better"}, "a test")
    assert reference.MEASURE.key("decimals").default == plain.decimals
    assert reference.WEEK.key("unit").options == get_args(TimeUnit)


def test_the_list_of_measures_names_units_limbs_and_thresholds_with_their_source():
    text = load_catalogue().to_text()
    for name, measure in load_catalogue().items():
        assert f"{name}: {measure.label}, {measure.unit}, " in text
        assert all(one.source in text for one in measure.thresholds)
    assert (
        "MIC 2 points, 2,724 people in 10 trials, chronic pain of several kinds; end of each trial; anchor: global impression of "
        "change; about 2 points or 30 %. Source: pooled trials of chronic pain (read in the source). Not found after knee surgery."
    ) in text
    assert "computed from quadriceps_torque, never stored" in text
