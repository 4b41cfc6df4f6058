"""The page of marks: each claim, its mark and why, one HTML file that stands alone."""

from __future__ import annotations

import html
from collections.abc import Sequence
from pathlib import Path

from analysis.counted import counted
from analysis.errors import ReportError
from analysis.lessons.capstone.marks import GRADES, Grade, Mark

FILE_NAME = "marks.html"

#: A sign and a class for each, so that nothing is said by colour alone.
SIGNS: dict[Grade, str] = {"right": "✓", "right but too strong": "↑", "wrong": "✗", "missed": "○"}
_STYLE = (
    "body{font:16px/1.5 sans-serif;color:#20262b;background:#fff;max-width:62em;margin:2em auto;padding:0 1em}"
    "h1{font-size:1.6em;line-height:1.25;margin:.4em 0}.sum{font-size:1.1em;margin:.2em 0 1.2em}"
    "table{border-collapse:collapse;width:100%}"
    "th,td{text-align:left;vertical-align:top;padding:.45em .6em;border-bottom:1px solid #dfe3e6}"
    "thead th{border-bottom:2px solid #5b646b}tbody th{font-weight:normal}.grade{font-weight:bold;white-space:nowrap}"
    ".right .grade{color:#00755a}.right-but-too-strong .grade{color:#7a6200;white-space:normal}"
    ".wrong .grade{color:#a63c00}.missed .grade{color:#5b646b}.small{font-size:.9em;color:#434b51}"
    "@media(max-width:40em){thead{display:none}tr,th,td{display:block;border:0;padding:.15em 0}"
    "tr{border-bottom:1px solid #b9c0c5;padding:.6em 0}tbody th{font-weight:bold}th+td::before{content:'Your report: '}}"
    "@media print{body{margin:0;max-width:none}tr{break-inside:avoid}}"
)


def summary_of(marks: Sequence[Mark]) -> str:
    """Count the marks in words.

    Examples
    --------
    >>> summary_of([Mark("a", "b", "right", "c"), Mark("a", "b", "missed", "c")])
    '2 marks: 1 right, 0 right but too strong, 0 wrong, 1 missed'
    """
    counts = [f"{sum(mark.grade == grade for mark in marks)} {grade}" for grade in GRADES]
    return f"{counted(len(marks), 'mark')}: {', '.join(counts)}"


def write_marks(marks: Sequence[Mark], folder: Path, seed: int) -> Path:
    """Write the page.

    Parameters
    ----------
    marks : sequence of Mark
        The marks, in the order in which they are shown.
    folder : Path
        Folder of the capstone; an earlier page is replaced.
    seed : int
        Seed of the cohort.

    Returns
    -------
    Path
        The page.

    Raises
    ------
    ReportError
        It cannot be written.
    """
    rows = "".join(
        f'<tr class="{mark.grade.replace(" ", "-")}"><th scope="row">{html.escape(mark.claim)}</th>'
        f'<td>{html.escape(mark.said)}</td><td class="grade">{SIGNS[mark.grade]} {mark.grade}</td>'
        f"<td>{html.escape(mark.why)}</td></tr>"
        for mark in marks
    )
    page = (
        '<!doctype html><html lang="en"><head><meta charset="utf-8"><title>Marks of the capstone</title>'
        f'<meta name="viewport" content="width=device-width"><style>{_STYLE}</style></head><body><main>'
        f'<h1>Your report beside the truth</h1><p class="sum">Cohort of seed {seed}. {summary_of(marks)}.</p>'
        '<table><thead><tr><th scope="col">Claim</th><th scope="col">Your report</th><th scope="col">Mark</th>'
        f'<th scope="col">Why</th></tr></thead><tbody>{rows}</tbody></table>'
        '<p class="small">Right but too strong: the direction is right, but these data cannot carry so much. Missed: it was '
        "there to be seen, and the report does not say it. Numbers of the data are those of the mended data. All patients are "
        "invented. What to do for a patient is for the treating clinician.</p></main></body></html>\n"
    )
    path = folder / FILE_NAME
    try:
        path.write_text(page, encoding="utf-8")
    except OSError as error:
        raise ReportError(
            f"The page of marks cannot be written: {error.strerror or error}.",
            where=str(path),
            what_to_do="Move the capstone to a folder that you may write to.",
        ) from error
    return path
