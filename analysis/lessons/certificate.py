"""The certificate page: what was done in the lessons, one HTML file that stands alone."""

from __future__ import annotations

import html
from pathlib import Path

from analysis.errors import ReportError
from analysis.lessons.progress import Progress

FILE_NAME = "certificate.html"

_STYLE = (
    "body{font:16px/1.5 sans-serif;color:#20262b;max-width:46em;margin:2em auto;padding:0 1em}"
    "table{border-collapse:collapse;width:100%}th,td{text-align:left;padding:.35em .6em;border-bottom:1px solid #b9c0c5}"
    "caption{text-align:left;padding:.4em 0}"
)


def write_certificate(folder: Path | str = ".") -> Path:
    """Write the page that sums up the lessons done so far.

    Parameters
    ----------
    folder : Path or str
        Folder of the lessons, in which the progress is kept.

    Returns
    -------
    Path
        The page, ``certificate.html`` in the folder; an earlier one is replaced.

    Raises
    ------
    ReportError
        The progress cannot be read, or the page cannot be written.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     write_certificate(folder).name
    'certificate.html'
    """
    from analysis.lessons.lesson_list import LESSONS

    progress = Progress(folder)
    rows, finished = [], 0
    for number, lesson in LESSONS.items():
        done = progress.of(number)
        names = [name for name in lesson.exercise_names if name in done]
        total = len(lesson.exercise_names)
        right = sum(bool(done[name]["right"]) for name in names)
        tries = sum(int(done[name]["tries"]) for name in names)
        finished += right == total
        state = "finished" if right == total else ("begun" if done else "not begun")
        rows.append(
            f'<tr><th scope="row">{number}. {html.escape(lesson.title)}</th><td>{state}</td>'
            f"<td>{right} of {total}</td><td>{tries}</td></tr>"
        )
    page = (
        '<!doctype html><html lang="en"><head><meta charset="utf-8"><title>Lessons done</title>'
        f'<meta name="viewport" content="width=device-width"><style>{_STYLE}</style></head><body><main>'
        f"<h1>Lessons in recovery-curve analysis</h1><p>{finished} of {len(LESSONS)} lessons finished.</p>"
        "<table><caption>Exercises answered rightly at last, and all tries they took</caption><thead><tr>"
        '<th scope="col">Lesson</th><th scope="col">State</th><th scope="col">Exercises</th><th scope="col">Tries</th>'
        f"</tr></thead><tbody>{''.join(rows)}</tbody></table>"
        "<p>All data in the lessons are invented. The page says what was answered on one computer. It is no licence, "
        "and no lesson tells how to treat a patient: that is for the treating clinician.</p></main></body></html>\n"
    )
    path = Path(folder) / FILE_NAME
    try:
        path.write_text(page, encoding="utf-8")
    except OSError as error:
        raise ReportError(
            f"The page cannot be written: {error.strerror or error}.",
            where=str(path),
            what_to_do="Choose a folder that you may write to.",
        ) from error
    return path
