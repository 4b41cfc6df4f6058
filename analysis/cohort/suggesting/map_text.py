"""The text of a suggested map file: TOML with comments where a person must look."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from analysis.cohort.importing.map_keys import FileFormat
from analysis.cohort.importing.map_reference import LEVELS
from analysis.cohort.recognition.trade_words import shown_cell


@dataclass
class SuggestedMap:
    """A map file as it grows: lines of its sections, columns left out, and how many lines are in doubt.

    ``part_of`` says what the file holds where its sections belong into the map of other files; then there are no
    patients, weeks and values. ``body_mass`` says that a column holds the body mass.
    """

    form: FileFormat
    layout: str = "long"
    part_of: str = ""
    files: list[str] = field(default_factory=list)
    patients: list[str] = field(default_factory=list)
    protocols: list[str] = field(default_factory=list)
    visits: list[str] = field(default_factory=list)
    week: list[str] = field(default_factory=list)
    value_entries: list[str] = field(default_factory=list)
    measures: list[str] = field(default_factory=list)
    home: list[str] = field(default_factory=list)
    left_out: list[str] = field(default_factory=list)
    body_mass: bool = False
    questions: int = 0

    def not_sure(self, why: str) -> str:
        """Count a doubt, and give the comment that says it."""
        self.questions += 1
        return f"  # not sure: {_one_line(why)}"


def compose(suggestion: SuggestedMap, name: str, doubts: list[str]) -> str:
    """Write the map as text; ``doubts`` concern the file as a whole."""
    form = suggestion.form
    head = [
        f"# A first map of {_one_line(name)}, written by kneecurve import --suggest-map. Go through it: lines that say",
        "# 'not sure' are guesses from names and values. Then: kneecurve import FILE --map THIS_FILE --out FOLDER",
        *_how_to_join(suggestion.part_of),
        f"# Lines to answer: {suggestion.questions + len(doubts)}.",
        *(f"# not sure: {_one_line(doubt)}" for doubt in doubts),
    ]
    if suggestion.part_of:
        parts = ["\n".join(head), "\n".join(["[files]", *suggestion.files]), *suggestion.home]
        return "\n\n".join([*parts, *_left_out(suggestion)]) + "\n"
    said = {name: getattr(form, name) for name in ("delimiter", "decimal", "encoding", "sheet")}
    file = [f"{name} = {quoted(value)}" for name, value in said.items() if value != getattr(FileFormat(), name)]
    file += [f"header_rows = {form.header_rows}"] if form.header_rows > 1 else []
    parts = [
        "\n".join([*head, "", f'layout = "{suggestion.layout}"', *_reference(suggestion.protocols), *LEVEL_NOT_ASKED])
    ]
    if file:
        parts.append("\n".join(["[file]", *file]))
    if suggestion.files:
        parts.append("\n".join(["[files]", *suggestion.files]))
    parts.append("\n".join(["[patients]", *_unique(suggestion.patients)]))
    if suggestion.visits:
        parts.append("\n".join(["[visits]", *suggestion.visits]))
    if suggestion.week:
        parts.append("\n".join(["[week]", *suggestion.week]))
    parts += suggestion.value_entries or [
        '# No column was recognised as an outcome measure. Fill in at least one:\n# [[values]]\n# measure = "pain"\n# column = "..."'
    ]
    parts += [*suggestion.measures, *suggestion.home, *_left_out(suggestion)]
    return "\n\n".join(parts) + "\n"


#: What a map says of its level before anybody was asked.
LEVEL_LINE = '# privacy = "limited"'
LEVEL_NOT_ASKED = [
    f"{LEVEL_LINE}  # without this line the level is safe-harbor",
    *(f"#   {name}: {said}" for name, said in LEVELS.items()),
]
#: A column of the patients that only a cohort at the limited level may have.
QUARTER_LINE = "# quarter = "


def _reference(protocols: list[str]) -> list[str]:
    """Give the line that names the reference, for a person to fill in: a file does not say which protocol it is."""
    if not protocols:
        return []
    labels = ", ".join(quoted(shown_cell(label)) for label in protocols)
    return [f"# reference = ...  # the protocol that the others are compared with, one of {labels}"]


def file_entry(form: FileFormat, file: str) -> str:
    """Write a file as [files] names it: its name, and in which way it differs from the usual one."""
    usual = FileFormat()
    names = ("sheet", "encoding", "delimiter", "decimal", "header_rows")
    said = {name: getattr(form, name) for name in names if getattr(form, name) != getattr(usual, name)}
    if not said:
        return quoted(file)
    keys = [f"{name} = {quoted(value) if isinstance(value, str) else value}" for name, value in said.items()]
    return "{ " + ", ".join([f"file = {quoted(file)}", *keys]) + " }"


def _how_to_join(part_of: str) -> list[str]:
    if not part_of:
        return []
    return [
        f"# The file holds {part_of}, so this is a part of a map:",
        "# copy it into the map of the patients and visits, name all files there under [files], put them into one folder,",
        "# and import the folder.",
    ]


def _left_out(suggestion: SuggestedMap) -> list[str]:
    if not suggestion.left_out:
        return []
    return ["\n".join(["# Not used:", *(f"#   {_one_line(line)}" for line in suggestion.left_out)])]


def _unique(lines: list[str]) -> list[str]:
    """Turn a second line for the same key into a comment."""
    seen: set[str] = set()
    answer = []
    for line in lines:
        name = line.split(" = ")[0]
        answer.append(f"# {line}" if name in seen else line)
        seen.add(name)
    return answer


def key(name: str) -> str:
    """Make a key of TOML of the name of a column."""
    made = re.sub(r"[^a-z0-9]+", "_", name.lower()).strip("_")
    return made or "column"


def _one_line(text: str) -> str:
    return re.sub(r"[\x00-\x1f\x7f]+", " ", text)


def quoted(text: str) -> str:
    """Put a text in quotation marks, as TOML wants it."""
    plain = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + re.sub(r"[\x00-\x1f\x7f]", lambda found: f"\\u{ord(found.group()):04x}", plain) + '"'
