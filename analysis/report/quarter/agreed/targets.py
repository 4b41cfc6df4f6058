"""Targets of indicators, as a parameter or a quarter file gives them."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.errors import ReportError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.quarter import Indicator


def with_targets(indicators: Sequence[Indicator], given: Sequence[str]) -> tuple[Indicator, ...]:
    """Give indicators the targets of a parameter.

    Parameters
    ----------
    indicators : sequence of Indicator
        The indicators, perhaps with targets of their own, which give way.
    given : sequence of str
        Each as "improved: 0.7": short name, label or title of the indicator, and its target; of a share from 0 to 1, of a rate
        in its unit, of a mean in its own.

    Returns
    -------
    tuple of Indicator
        All of them, in order.

    Raises
    ------
    ReportError
        A text is no name and number, names no indicator or one twice, or gives a share that is not from 0 to 1.

    Examples
    --------
    >>> from analysis.quarter import Indicator
    >>> harms = Indicator("harms", "Harms", "rate", "balancing", "lower", "harms", "started", "harms", "patients",
    ...                   unit="per 100 patients", per=100.0)
    >>> with_targets([harms], ["harms: 15"])[0].target
    0.15
    """
    found = {one.name: one for one in indicators}
    named: set[str] = set()
    for text in given:
        name, colon, number = (part.strip() for part in text.rpartition(":"))
        known = [
            one
            for one in indicators
            if name.casefold() in (one.name.casefold(), one.label.casefold(), one.title.casefold())
        ]
        if not colon or len(known) != 1:
            raise _refused(f"{text!r} names no indicator.", indicators)
        (one,) = known
        if one.name in named:
            raise _refused(f"{one.name} is given two targets.", indicators)
        named.add(one.name)
        found[one.name] = replace(one, target=_number(text, number, one, indicators))
    return tuple(found.values())


def _number(text: str, number: str, one: Indicator, indicators: Sequence[Indicator]) -> float:
    try:
        value = float(number)
    except ValueError:
        value = float("nan")
    if not np.isfinite(value):
        raise _refused(f"The target {text!r} has no number.", indicators)
    if one.kind == "share" and not 0 <= value <= 1:
        raise _refused(f"The target {text!r} is not a share from 0 to 1.", indicators)
    if one.kind == "rate" and value < 0:
        raise _refused(f"The target {text!r} is below 0.", indicators)
    return value / one.per


def _refused(what: str, indicators: Sequence[Indicator]) -> ReportError:
    return ReportError(
        what,
        where=f"targets, of the parameter or the quarter file; indicators: {', '.join(one.name for one in indicators)}",
        what_to_do="Write each target as name: number, a share of 70 % as improved: 0.7, a rate in its unit.",
    )
