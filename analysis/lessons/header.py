"""The look of the course: a header above what the first cell says, one accent colour, and boxes for what to remember."""

import html
from dataclasses import dataclass

from analysis.lessons.feedback import Feedback

#: The accent of the course; white on it has a contrast of 6.05, above the 4.5 that WCAG 2.1 asks of text.
ACCENT = "#0067a3"
COURSE = "Lessons in recovery-curve analysis"
#: Only notebooks that show a header have this look; others that are open beside them keep theirs.
_HERE = ".jp-Notebook:has(.kneecurve-header) .jp-RenderedMarkdown"
_STYLE = (
    f"{_HERE} h1{{border-bottom:3px solid {ACCENT};padding-bottom:.2em}}"
    f"{_HERE} h2{{border-top:2px solid {ACCENT};padding-top:.5em}}"
    f"{_HERE} blockquote{{border-left:5px solid {ACCENT};background:rgba(0,103,163,.09);color:inherit;"
    "padding:.6em 1em;margin:.6em 0;max-width:46em}"
    f"{_HERE} p,{_HERE} ul,{_HERE} ol{{max-width:46em}}"
    f".kneecurve-header{{background:{ACCENT};color:#fff;padding:.5em .9em;margin-bottom:.5em;max-width:46em;"
    "display:flex;flex-wrap:wrap;justify-content:space-between;gap:.2em 1.5em}"
)


@dataclass(frozen=True, repr=False)
class Headed(Feedback):
    """What the first cell of a notebook of the course says, under its header.

    Parameters
    ----------
    where : str
        Where in the course the notebook is.

    Examples
    --------
    >>> Headed("noted", "7 exercises wait for you.", where="Lesson 1 of 8")
    • Noted. 7 exercises wait for you.
    """

    where: str = ""

    def _repr_html_(self) -> str:
        return header(self.where) + super()._repr_html_()


def header(where: str) -> str:
    """Give the header as HTML, with the look of the notebook that it stands in.

    Parameters
    ----------
    where : str
        Where in the course the notebook is.
    """
    bar = f'<div class="kneecurve-header"><strong>{COURSE}</strong><span>{html.escape(where)}</span></div>'
    return f"<style>{_STYLE}</style>{bar}"
