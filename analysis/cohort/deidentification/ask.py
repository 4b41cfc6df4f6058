"""Ask a person at a terminal, column by column, what is to become of those that are withheld."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from analysis.cohort.deidentification.judge import Act, Seems
from analysis.cohort.deidentification.review import ColumnReview, MaySee, Review
from analysis.foreign_text import visible

#: What may be answered, by what a column seems to be; anything else leaves it out.
_CHOICES: dict[Seems, dict[str, Act]] = {
    "numbers": {"k": "keep", "c": "cap"},
    "labels": {"k": "codes", "g": "group", "n": "number"},
}
_QUESTIONS: dict[Seems, str] = {
    "numbers": "Keep the numbers (k), keep them with ages over 89 as 90 (c), or leave the column out (Enter)? ",
    "labels": "Keep these labels (k), with rare ones as other (g), number them (n), or leave the column out (Enter)? ",
}
_MAY_SEE: dict[str, MaySee] = {"a": "anyone", "i": "inside"}


def ask_columns(review: Review, answer: Callable[[str], str]) -> Review:
    """Ask for each column of numbers or labels that nobody decided on; columns of other kinds stay withheld.

    ``answer`` shows a question and gives what was typed. What was decided is in the review that comes back.

    Examples
    --------
    >>> one = ColumnReview("clinic", "ward", "labels", "labels", 1, ("9a",), "codes", withheld=True, labels=("3b",))
    >>> typed = iter(["k", "a"])
    >>> ask_columns(Review((one,)), lambda question: next(typed)).columns[0].codes
    ('3b',)
    """
    return Review(tuple(_ask(one, answer) if one in review.undecided else one for one in review.columns))


def _ask(one: ColumnReview, answer: Callable[[str], str]) -> ColumnReview:
    if one.seems not in _CHOICES or one.proposed == "withhold":
        return one
    what = f"labels: {', '.join(one.labels)}" if one.labels else f"shapes: {', '.join(one.shapes)}"
    asked = f"Column {one.column} of {one.table}: {one.why}; {one.distinct:,} different values; {what}"
    decision = _CHOICES[one.seems].get(answer(f"{visible(asked)}\n  {_QUESTIONS[one.seems]}").strip().casefold())
    if decision is None:
        return one
    may_see = _MAY_SEE.get(answer("  Who may see it: anyone (a), or the organisation only (i)? ").strip().casefold())
    if may_see is None:
        return one
    codes = one.labels if decision in ("codes", "group") else ()
    return replace(one, decision=decision, may_see=may_see, codes=codes)
