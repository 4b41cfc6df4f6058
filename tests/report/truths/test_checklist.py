"""Whatever an item of the reporting checklist points to stands in that report and holds something, over all planted truths."""

import dataclasses
import re
import warnings

import pytest

from analysis.report import Figure, Passage, Table, comparison
from analysis.report.comparison.checklist import NOT_KNOWN
from analysis.report.running.notebooks import find_report, read_notebook
from synthetic_cohort import generate_cohort

from .planted import off_schedule, plant, share
from .test_what_is_said import TRUTHS

MANY = tuple("abcdefg")
#: Cohorts in which sections are empty, beside the truths.
MORE = {
    "one protocol": lambda: plant(patients=8, protocols=("usual",)),
    "one patient each": lambda: plant(patients=1),
    "no schedule": lambda: off_schedule(plant(patients=12)),
    "no schedule and many protocols": lambda: off_schedule(plant(patients=6, protocols=MANY)),
    "the start alone": lambda: plant(patients=6, weeks=(0,)),
    "nobody came back": lambda: plant(patients=6, lose=share({"usual": 1.0, "early": 1.0})),
    "sites without a start": lambda: plant(patients=12, sites=("north", "south"), weeks=(6, 12, 26)),
    "many sites": lambda: plant(patients=12, sites=tuple("abcdefghijkl"), weeks=(6, 12, 26)),
    "no session done is known": lambda: dataclasses.replace(
        made := generate_cohort(patients=24, seed=3).observed, sessions=made.sessions.assign(sessions_done=None)
    ),
    "everything": lambda: generate_cohort(patients=24, seed=3).observed,
}


def sections():
    """Give the functions of the notebook's cells under each heading, an appendix with all of its own."""
    found, path = {}, {}
    for cell in read_notebook(find_report("protocol_comparison")).cells:
        if cell.cell_type == "markdown":
            for signs, name in re.findall(r"^(#+) (.*)$", cell.source, flags=re.MULTILINE):
                path = {level: text for level, text in path.items() if level < len(signs)} | {len(signs): name.strip()}
        else:
            for name in re.findall(r"comparison\.(\w+)\(study", cell.source):
                names = [text for level, text in path.items() if level > 1]
                for heading in {names[-1], names[0], ", ".join(names)} if names else ():
                    found.setdefault(heading, []).append(name)
    return found


def holds_something(study, name):
    """Whether a section has a figure, a table with rows, or sentences of which none says that something is not there."""
    if name == "provenance":  # needs a folder; tested where reports are made
        return True
    parts = list(getattr(comparison, name)(study))
    if any(isinstance(one, Figure) or (isinstance(one, Table) and len(one.data)) for one in parts):
        return True
    said = [one for one in parts if isinstance(one, Passage)]
    return bool(said) and all(one.kind != "absent" for one in said)


#: Design of a report and items of its checklist. Where sections are empty, what differs by design is empty too: one is enough.
DESIGNS = (("randomised", 42), ("observational", 34))
#: The others are near these, and left to the slow tests.
QUICK = {"without a start", "nobody of one protocol", "complete"}
NAMES = [
    *(pytest.param(one, marks=[] if one in QUICK else pytest.mark.slow) for one in TRUTHS),
    *(pytest.param(f"more: {one}", marks=pytest.mark.slow) for one in MORE),
]


@pytest.mark.parametrize("name", NAMES)
def test_every_section_that_the_checklist_names_is_there_and_holds_something(study_in_memory, name):
    cohort = MORE[name.removeprefix("more: ")]() if name.startswith("more: ") else plant(**TRUTHS[name][0])
    known = sections()
    # The longest name first; "Patients" alone is named nowhere.
    one_of = re.compile("|".join(rf"\b{re.escape(one)}(?!\w)" for one in sorted(known, key=len, reverse=True)))
    for design, items in DESIGNS if name in TRUTHS else DESIGNS[: 1 + (name == "more: everything")]:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of models that are then not used
            study = study_in_memory(cohort, imputations=2, design=design)
            (table,) = [one for one in comparison.checklist(study) if isinstance(one, Table)]
            rows = [(item, met, where, one_of.findall(where)) for item, met, where in table.rows()]
            named = {heading for *_, headings in rows for heading in headings}
            empty = {one for one in named if not any(holds_something(study, name) for name in known[one])}
        assert len(rows) == items
        assert {item: empty & set(headings) for item, *_, headings in rows if empty & set(headings)} == {}
        for item, met, where, headings in rows:
            assert (met == "no") == where.startswith(NOT_KNOWN), item
            assert met in ("no", "does not apply") or headings or where.startswith(("This report", "Names only")), item


def test_the_names_of_sections_are_read_from_the_notebook():
    known = sections()
    assert known["Patients, Flow"] == ["flow"]
    assert known["Home programme"] == ["doses", "home_programme"]
    assert {"checklist", "estimand", "every_finding"} <= set(known["Appendix"])
