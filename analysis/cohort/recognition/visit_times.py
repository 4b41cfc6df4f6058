"""Times told by the names of visits (Week 6, 3 mo post-op, Baseline), and the order in which dates are written."""

from __future__ import annotations

import re
from collections.abc import Iterable

from analysis.cohort.recognition.header_words import BEFORE_START, TimeUnit, header_words
from analysis.cohort.recognition.trade_words import words_of

#: Weeks in a unit of time; a month is a twelfth of 365.25 days.
WEEKS_IN: dict[TimeUnit, float] = {"days": 1 / 7, "weeks": 1.0, "months": 365.25 / 12 / 7, "years": 365.25 / 7}
#: Words that may stand beside the time in the name of a visit.
_BESIDE = frozenset(
    [
        "visit",
        "visite",
        "visita",
        "arm",
        "event",
        "follow",
        "up",
        "fu",
        "assessment",
        "control",
        "kontrolle",
        "time",
        "the",
        "at",
        "of",
        "and",
    ]
)
_WITH_DAY = re.compile(r"\s*(\d{1,2})([./-])(\d{1,2})\2(\d{4}|\d{2})\s*")
_WITH_MONTH = ((r"\d{1,2} [A-Za-z]{3} \d{4}", "%d %b %Y"), (r"\d{1,2}-[A-Za-z]{3}-\d{4}", "%d-%b-%Y"),
               (r"\d{1,2}[A-Za-z]{3}\d{4}", "%d%b%Y"), (r"\d{1,2} [A-Za-z]{4,} \d{4}", "%d %B %Y"))  # fmt: skip


def visit_time(label: str) -> tuple[float, TimeUnit] | None:
    """Give the time that the name of a visit tells, a baseline 0 weeks; None where it tells none.

    Examples
    --------
    >>> visit_time("6 mo post-op"), visit_time("Week -2"), visit_time("Visit 3")
    ((6.0, 'months'), (-2.0, 'weeks'), None)
    """
    text = re.sub(r"_(?:arm|visit|visite|v)_\d+(?=_)", "_", f"_{'_'.join(words_of(label))}_")
    found = header_words(text)
    if (
        found.time is None
        or (found.unit is None and not found.baseline)
        or set(found.rest) - _BESIDE - {"-"}
        or found.measure
    ):
        return None
    return -found.time if re.search(BEFORE_START, label) else found.time, found.unit or "weeks"


def date_format_of(texts: Iterable[str]) -> tuple[str | None, bool]:
    """Give the format of dates as text (None: year-month-day, or none that is known), and whether the order is sure.

    Where a number above twelve stands in one place only, that is the day; points stand between day, month and year.

    Examples
    --------
    >>> date_format_of(["03/04/2024", "25/04/2024"]), date_format_of(["03/04/2024"])
    (('%d/%m/%Y', True), ('%d/%m/%Y', False))
    """
    texts = list(texts)
    for pattern, form in _WITH_MONTH:
        if texts and all(re.fullmatch(pattern, text.strip()) for text in texts):
            return form, True
    matches = [_WITH_DAY.fullmatch(text) for text in texts]
    if not texts or not all(matches):
        return None, True
    parts = [(int(m[1]), m[2], int(m[3]), m[4]) for m in matches if m]
    mark, year = parts[0][1], "%Y" if len(parts[0][3]) == 4 else "%y"
    first, second = any(part[0] > 12 for part in parts), any(part[2] > 12 for part in parts)
    order = ("%m", "%d") if second else ("%d", "%m")
    return f"{order[0]}{mark}{order[1]}{mark}{year}", first != second or (mark == "." and not second)
