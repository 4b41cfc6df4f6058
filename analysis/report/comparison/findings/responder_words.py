"""Who improved, in words: shares with their denominators, what the differences support, and when they tell little."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.report.comparison.findings.finding import HARDLY_ANY, MOST_LISTED
from analysis.report.comparison.findings.rules import side
from analysis.report.parts import numbers
from analysis.report.parts.losses import too_many_lost
from analysis.report.parts.numbers import in_text

if TYPE_CHECKING:
    from analysis.outcomes.responders.responders import Responders


def responders_words(found: Responders) -> str:
    """Say how many patients reached the threshold, with denominators, and what the differences support.

    Parameters
    ----------
    found : Responders
        A responder analysis.
    """
    endpoint = found.endpoint
    shares = [
        f"{numbers.share(row.share)} ({numbers.fraction(row.responders, row.n)}) with {row.protocol}"
        for row in found.table.itertuples()
        if row.n
    ]
    if not shares:
        return f"Nobody had both a baseline and a value at week {numbers.week(endpoint.week)}: no share can be given."
    reached = numbers.listed(shares)
    if len(shares) > MOST_LISTED:
        order = found.table[found.table["n"] > 0].reset_index(drop=True)["share"]
        reached = f"{shares[int(order.argmin())]} to {shares[int(order.argmax())]}"
    said = (
        f"By week {numbers.week(endpoint.week)} {in_text(endpoint.measure.label)} {endpoint.reached_words} "
        f"({endpoint.to_reach.name}) in {reached}. "
        f"{'Only patients seen are counted' if endpoint.missing == 'excluded' else 'Patients not seen count as not improved'}"
    )
    known = [row for row in found.differences.to_dict("records") if not numbers.is_missing(row["difference"])]
    if known:
        percent = numbers.level_in_words(endpoint.level)
        apart = [
            f"{row['protocol']} minus {row['reference']} {numbers.points(row['difference'])} percentage points "
            f"({_points(row['lower'], row['upper'])})"
            for row in known
            if side(row["lower"], row["upper"])
        ]
        which = "the difference" if len(known) == 1 else "each difference"
        unadjusted = "" if len(known) == 1 else ", not adjusted for their number,"
        said += (
            f". {percent} intervals of differences{unadjusted} that leave out zero: {'; '.join(apart)}"
            if apart
            else f". The {percent} interval of {which} in shares holds zero"
        )
    lost = [] if endpoint.missing == "non-response" else not_concluded(found)
    if lost:
        said += f". Too many were not seen for a conclusion about {numbers.listed(lost)}"
    if endpoint.criterion != "state" and _beyond_the_ideal(found):
        said += f". Values beyond {endpoint.measure.ideal:g} are counted as improved, though they are no better"
    total, count = int(found.table["n"].sum()), int(found.table["responders"].sum())
    if count < HARDLY_ANY * total or count > (1 - HARDLY_ANY) * total:
        hardly = "Hardly anybody" if count < HARDLY_ANY * total else "Nearly everybody"
        hardly = {0: "Nobody", total: "Everybody"}.get(count, hardly)
        said += f". {hardly} judged reached it ({count} of {total}), so these shares tell little"
    return f"{said}."


def not_concluded(found: Responders) -> list[str]:
    """Name the protocols about which nothing is concluded, as too many of them or of the reference were not seen.

    Parameters
    ----------
    found : Responders
        A responder analysis.
    """
    table = found.table[found.table["allocated"] > 0]
    lost = dict(zip(table["protocol"].astype("str"), 1 - table["n"] / table["allocated"], strict=True))
    base = lost.get(found.reference, 0.0)
    return [name for name, share in lost.items() if name != found.reference and too_many_lost([share, base])]


def _beyond_the_ideal(found: Responders) -> bool:
    measure = found.endpoint.measure
    if measure.ideal is None:
        return False
    means = found.patients.groupby(found.patients["protocol"].astype("str"))["value"].mean()
    return bool((measure.sign * (means - measure.ideal) > 0).any())


def _points(lower: float, upper: float) -> str:
    """Show limits in points; beside a limit that would be shown as zero and is not there are more decimals."""
    near = min(abs(100 * lower), abs(100 * upper))
    decimals = next((one for one in range(4) if near == 0 or round(near, one) > 0), 4)
    return numbers.points_interval(lower, upper, decimals)
