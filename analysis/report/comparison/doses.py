"""The home programme as it was planned and as it was done, by modality and protocol."""

from analysis.outcomes import AdherenceByWeek
from analysis.outcomes.home_programme.home_dose import HomeDose
from analysis.report.comparison.programme import with_words
from analysis.report.comparison.results import Lacking
from analysis.report.comparison.study import Study
from analysis.report.parts.passages import Section
from analysis.report.parts.tables import Column, Table

_KEYS = ["protocol", "modality"]
_QUANTITIES = {
    "minutes a session": "minutes",
    "pauses a session": "pauses",
    "stimulation above the knee": "knee",
    "stimulation at the thigh": "thigh",
}

_NOTES = (
    "Patients: those with sessions prescribed and the sessions done known.",
    "Minutes, pauses and stimulation: patients in whom they are known.",
    "Stimulation: minutes times level, the level as a share of the device's maximum.",
    "Not in the data: the minutes and levels that were planned, so they cannot be set against a plan.",
)


def doses(study: Study) -> Section:
    """Show the doses given against those planned; empty where home sessions were not recorded."""
    if isinstance(study.at_home, Lacking):
        return Section(())
    return Section((_dose_table(study.adherence, study.at_home.dose),))


def _dose_table(adherence: AdherenceByWeek, given: HomeDose) -> Table:
    """Set sessions planned and done side by side, a patient, with minutes, pauses and stimulation."""
    table = with_words(adherence.overall)
    table = table.assign(
        planned=table["sessions_prescribed"] / table["n"].where(table["n"] > 0),
        done=table["sessions_done"] / table["n"].where(table["n"] > 0),
        part=table["sessions_done"] / table["sessions_prescribed"].where(table["sessions_prescribed"] > 0),
    )
    for quantity, name in _QUANTITIES.items():
        mean = given.overall[given.overall["quantity"] == quantity].set_index(_KEYS)["mean"]
        table = table.join(mean.rename(name), on=_KEYS)
    columns = [
        Column("protocol", "Protocol"),
        Column("n", "Patients", "count"),
        Column("planned", "Planned", "number", 1, "Sessions a patient", instead="words"),
        Column("done", "Done", "number", 1, "Sessions a patient"),
        Column("part", "Done of planned", "share", 0, "Sessions a patient"),
    ]
    a_session, stimulation = "A session", "Stimulation a patient (min at full level)"
    shown = {
        "minutes": ("Minutes", a_session), "pauses": ("Pauses", a_session),
        "knee": ("Above the knee", stimulation), "thigh": ("At the thigh", stimulation),
    }  # fmt: skip
    for name, (label, group) in shown.items():
        if table[name].notna().any():
            columns.append(Column(name, label, "number", 1, group))
    return Table(
        table,
        "Doses given against planned, means of patients over the whole programme.",
        tuple(columns),
        _NOTES,
        name="doses",
        rows_grouped_by="modality",
    )
