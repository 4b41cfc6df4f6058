"""Tables of the home programme and of change."""

import pandas as pd
import pytest

from analysis.cohort import Cohort
from analysis.outcomes import (
    events_by_week,
    gap_regained,
    weeks_with_enough,
)
from analysis.outcomes.chosen_endpoint import choose_endpoint
from analysis.report.parts.outcome_tables import (
    events_by_week_table,
    gap_table,
    weeks_table,
)
from synthetic_cohort import generate_cohort


@pytest.fixture(scope="module")
def made():
    return generate_cohort(patients=60, seed=5)


def test_every_table_shows_its_numbers(made):
    cohort = made.observed
    gap = gap_regained(cohort, choose_endpoint(cohort, "quadriceps_torque", week=26, criterion=None))
    weeks = weeks_with_enough(cohort, enough=0.5)
    tables = [
        weeks_table(weeks),
        events_by_week_table(events_by_week(cohort)),
        gap_table(gap),
    ]
    for table in tables:
        cells = table.cells()
        assert len(cells) > 0
        assert not cells.map(lambda text: "nan" in str(text).lower()).any().any()
        assert table.caption.endswith(".")
        assert "<caption>" in table.to_html()
    row = gap.table.iloc[0]
    assert tables[2].cells().iloc[0, 1] == f"{row['n']}/{row['allocated']}"
    shown = f"{abs(row['regained_percent']):.0f} ("
    assert tables[2].cells().iloc[0, 5].removeprefix("−").startswith(shown)
    assert tables[0].cells()["At least"].unique().tolist() == ["50 %", "80 %"]


def test_nothing_recorded_is_an_empty_table_with_its_reason(made):
    cohort = made.observed
    without = Cohort(cohort.patients, cohort.visits)
    for table in (weeks_table(weeks_with_enough(without)), events_by_week_table(events_by_week(without))):
        assert table.cells().empty
        assert any("were not recorded" in note for note in table.notes)


def test_harms_of_a_protocol_are_counted_after_and_outside(made):
    """Every harm of a protocol stands in its line; a protocol without sessions has no rate."""
    cohort = made.observed
    names = cohort.patients["protocol"].cat.categories
    chosen = {name: cohort.patients.loc[cohort.patients["protocol"] == name, "patient_id"].iloc[0] for name in names}
    sessions = cohort.sessions[
        ~cohort.sessions["patient_id"].isin(cohort.patients.loc[cohort.patients["protocol"] == names[2], "patient_id"])
    ]
    events = pd.DataFrame(
        [(chosen[names[0]], 0.0), (chosen[names[0]], 40.0), (chosen[names[1]], -2.0), (chosen[names[2]], 3.0)],
        columns=["patient_id", "week"],
    ).assign(event="flare")
    notes = events_by_week_table(
        events_by_week(Cohort(cohort.patients, cohort.visits, sessions=sessions, events=events))
    ).notes
    assert notes[0].startswith(f"With {names[0]} 1 harm in ")
    assert notes[0].endswith("; 1 after the programme, 0 outside the record.")
    assert notes[1].startswith(f"With {names[1]} 0 harms in ")
    assert notes[1].endswith("; 0 after the programme, 1 outside the record.")
    assert notes[2] == (
        f"With {names[2]} no patient-week with an entry of sessions, so no rate; 0 after the programme, 1 outside the record."
    )
    assert not any("nan" in note or "—" in note for note in notes)
