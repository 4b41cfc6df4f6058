"""The sections of a suggested map about the home programme: a session log, or weekly counts."""

from __future__ import annotations

from analysis.cohort.recognition.recognise_home import HomeColumns
from analysis.cohort.recognition.trade_words import shown_cell
from analysis.cohort.suggesting.map_text import SuggestedMap, file_entry, quoted

_LOG_KEYS = ("week", "start", "end", "modality", "minutes", "level_knee", "level_thigh", "pauses")
_WEEK_KEYS = ("week", "date", "modality", "sessions_prescribed", "sessions_done", "minutes_done", "level_knee",
              "level_thigh", "pauses")  # fmt: skip


def fill_home(suggestion: SuggestedMap, home: HomeColumns, *, file: str, alone: bool) -> None:
    """Add the section of the home programme to a map in which the line of the patient stands already.

    ``alone`` says that the file holds nothing else, so that the section belongs into the map of other files.
    """
    log = home.row == "a session"
    name, keys = ("session_log", _LOG_KEYS) if log else ("sessions", _WEEK_KEYS)
    columns = dict(home.columns) if log else _with_date(home.columns)
    lines = [f"[{name}]  # guessed: one row is {home.row}{'' if log else ' of one kind of session'}"]
    if alone:
        suggestion.part_of = f"a home programme (one row {home.row}) and no outcome measure"
        suggestion.files.append(f"{name} = {file_entry(suggestion.form, file)}")
        lines += suggestion.patients
    for key in keys:
        if key == "modality":
            lines.append(_modality(suggestion, home))
        elif key in columns or (key == "week" and "week" in home.doubts):
            doubt = home.doubts.get(key, "")
            if key == "week" and not alone and not log and not doubt:
                doubt = "are these the sessions of that one week?"
            lines.append(f"{key} = {quoted(columns.get(key, key))}" + (suggestion.not_sure(doubt) if doubt else ""))
    if "week" not in columns:
        start = "..." if home.programme_start is None else home.programme_start
        lines.append(f"# weeks are counted from the date that the map names under [week]: start = {quoted(start)}")
    if log:
        lines += [
            '# prescribed = { "exercise" = 5 }  # sessions asked for in a week, where every patient was asked the same',
            "# weeks = [1, 12]  # first and last week of the programme; a week without a session then counts as none done",
            "# [[session_log.prescribed]]  # in their place where protocols or weeks differ: one block each",
            '# protocol = "..."',
            '# modality = "neuromuscular electrical stimulation (NMES)"',
            "# sessions = 5  # a week",
            "# weeks = [1, 8]",
        ]
    suggestion.home.append("\n".join(lines))


def _with_date(columns: dict[str, str]) -> dict[str, str]:
    """Call the date of a week's row as the section sessions does."""
    return {("date" if key == "start" else key): name for key, name in columns.items() if key != "end"}


def _modality(suggestion: SuggestedMap, home: HomeColumns) -> str:
    doubt = home.doubts.get("modality", "")
    note = suggestion.not_sure(doubt) if doubt else ""
    if "modality" not in home.columns:
        return f'modality = {{ constant = "exercise" }}{note}'
    column = quoted(home.columns["modality"])
    if not home.recode:
        return f"modality = {column}{note}"
    shown = {old: new for old, new in home.recode.items() if shown_cell(old) == old}
    if len(shown) < len(home.recode):
        note += suggestion.not_sure(
            f"labels not shown, since they may say too much: {len(home.recode) - len(shown)}; recode them"
        )
    recode = ", ".join(f"{quoted(old)} = {quoted(new)}" for old, new in shown.items())
    return f"modality = {{ column = {column}, recode = {{ {recode} }} }}{note}"
