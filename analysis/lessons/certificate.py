"""The certificate page: what was done in the lessons, one HTML file that stands alone."""

import html
from datetime import date
from pathlib import Path

from analysis.errors import ReportError
from analysis.lessons.progress import Progress, Whose
from analysis.lessons.source import lesson_outlines

FILE_NAMES: dict[Whose, str] = {"learner": "certificate.html", "instructor": "certificate_instructor.html"}

_STYLE = (
    "body{font:16px/1.5 sans-serif;color:#20262b;background:#fff;max-width:46em;margin:2em auto;padding:0 1em}"
    "main{border:1px solid #b9c0c5;border-top:6px solid #0067a3;padding:1.2em 2em 1.6em}"
    "h1{font-size:1.7em;line-height:1.25;margin:.4em 0}.done{font-size:1.15em;margin:.2em 0 1.2em}"
    "table{border-collapse:collapse;width:100%;margin:1.2em 0}"
    "th,td{text-align:left;vertical-align:baseline;padding:.35em .6em;border-bottom:1px solid #dfe3e6}"
    "thead th{border-bottom:2px solid #5b646b}tbody th{font-weight:normal}"
    "td:nth-child(n+3),th:nth-child(n+3){text-align:right}td:nth-child(2){white-space:nowrap}"
    "thead th:first-child{width:38%}"
    ".finished td:nth-child(2){color:#00755a;font-weight:bold}.finished td:nth-child(2)::before{content:'✓ ' / ''}"
    ".not-begun td:nth-child(2){color:#5b646b}"
    ".by-hand{display:flex;flex-wrap:wrap;gap:1em 2em;margin:1.8em 0 1em}"
    ".by-hand span{flex:1 1 12em;border-bottom:1px solid #20262b;padding-bottom:.2em}"
    ".small{font-size:.9em;color:#434b51}"
    "@media(max-width:34em){body{padding:0}main{padding:.8em}table{font-size:.82em}th,td{padding:.4em .2em}}"
    "@media print{body{margin:0;max-width:none}main{break-inside:avoid}}"
)


def write_certificate(folder: Path | str = ".", *, whose: Whose = "learner") -> Path:
    """Write the page that sums up the lessons done so far.

    Parameters
    ----------
    folder : Path or str
        Folder of the lessons, in which the progress is kept.
    whose : {"learner", "instructor"}
        Whose answers; the instructor's page is ``certificate_instructor.html``.

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
    outlines = lesson_outlines()
    progress = Progress(folder, whose)
    rows, finished, without, guessed, all_exercises = [], 0, 0, 0, 0
    for lesson in outlines:
        done = progress.of(lesson.number)
        names = [name for name in lesson.exercises if name in done]
        total = len(lesson.exercises)
        guesses = [name for name in names if done[name].get("guess")]
        right = [name for name in names if done[name]["right"] and name not in guesses]
        alone = sum(not done[name].get("solution") for name in right)
        tries = sum(int(done[name]["tries"]) for name in names)
        whole = len(guesses) + len(right) == total
        finished, without, guessed = finished + whole, without + alone, guessed + len(guesses)
        all_exercises += total
        state = "finished" if whole else ("begun" if done else "not begun")
        rows.append(
            f'<tr class="{state.replace(" ", "-")}"><th scope="row">{lesson.number}. {html.escape(lesson.title)}</th>'
            f"<td>{state}</td><td>{total}</td><td>{alone}</td><td>{len(right) - alone}</td><td>{len(guesses)}</td>"
            f"<td>{tries}</td></tr>"
        )
    form = "was" if without == 1 else "were"
    today = date.today()  # noqa: DTZ011 - the day where the learner is
    page = (
        '<!doctype html><html lang="en"><head><meta charset="utf-8"><title>Lessons done</title>'
        f'<meta name="viewport" content="width=device-width"><style>{_STYLE}</style></head><body><main>'
        f'<h1>Lessons in recovery-curve analysis</h1><p class="done"><strong>{finished} of {len(outlines)} lessons '
        f"finished</strong>. Of {all_exercises} exercises {without} {form} answered rightly without the solution, and a guess "
        f"was made in {guessed}.<br>Written on {today.day} {today:%B %Y}</p>"
        '<table><thead><tr><th scope="col">Lesson</th><th scope="col">State</th><th scope="col">Exercises</th>'
        '<th scope="col">Right by themselves</th><th scope="col">After the solution</th><th scope="col">Guesses</th>'
        f'<th scope="col">Tries</th></tr></thead><tbody>{"".join(rows)}</tbody></table>'
        '<p class="small">Right by themselves: answered rightly in the end, without a look at the solution. A guess is asked '
        "for before the numbers are seen; no guess is wrong, and it counts as a guess. Tries are all answers until the "
        "right one; many tries are no fault.</p>"
        '<p class="by-hand"><span>Name:</span><span>Seen by:</span></p>'
        '<p class="small">The names are written by hand; no file keeps them. All patients of the lessons are invented. '
        "The page tells what was answered on one computer. It is no licence, and no lesson tells how to treat a "
        "patient: that is for the treating clinician.</p></main></body></html>\n"
    )
    path = Path(folder) / FILE_NAMES[whose]
    try:
        path.write_text(page, encoding="utf-8")
    except OSError as error:
        raise ReportError(
            f"The page cannot be written: {error.strerror or error}.",
            where=str(path),
            what_to_do="Choose a folder that you may write to.",
        ) from error
    return path
