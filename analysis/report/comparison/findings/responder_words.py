"""Who improved, in words: shares with their denominators, what the differences support, and when they tell little."""

import pandas as pd

from analysis.outcomes.endpoint import reached
from analysis.outcomes.responders.responders import Responders
from analysis.report.comparison.findings.finding import HARDLY_ANY, WORSE_MANY
from analysis.report.comparison.findings.rules import side
from analysis.report.comparison.findings.words import one_line
from analysis.report.parts import numbers
from analysis.report.parts.losses import too_many_lost
from analysis.report.parts.numbers import capitalised, in_text
from analysis.report.parts.wording import MOST_LISTED


def responders_words(found: Responders) -> list[str]:
    """Say how many patients reached the threshold, with denominators, and what the differences support; a sentence each."""
    endpoint, shares = found.endpoint, _shares(found)
    if not shares:
        when = numbers.moment(endpoint.week)
        needed = "a value" if endpoint.criterion == "state" else "both a baseline and a value"
        return [f"Nobody had {needed} at {when}: no share can be given."]
    who = "Only patients seen are counted."
    if endpoint.missing == "non-response":
        who = f"Patients not seen count as {endpoint.not_reached_words}."
    what = in_text(endpoint.measure.label)
    reached_it = f"{what} {endpoint.reached_words} ({endpoint.to_reach.name})"
    if endpoint.measure.is_yes_no:
        reached_it = f"{what} were reached ({endpoint.measure.description.partition(': ')[2].rstrip('.')})"
    said = [f"{capitalised(endpoint.when_words)} {reached_it} in {shares}.", who]
    lost = [] if endpoint.missing == "non-response" else not_concluded(found)
    if lost:
        said.append(f"Too many were not judged for a conclusion about {numbers.listed(lost)}.")
    known = [row for row in found.differences.to_dict("records") if not numbers.is_missing(row["difference"])]
    if known:
        percent = numbers.level_in_words(endpoint.level)
        apart = [
            f"{row['protocol']} minus {row['reference']} {numbers.points(row['difference'])} percentage points "
            f"({numbers.points_interval(row['lower'], row['upper'])})"
            for row in known
            if side(row["lower"], row["upper"])
        ]
        which = "the difference" if len(known) == 1 else "each difference"
        unadjusted = "" if len(known) == 1 else ", not adjusted for their number,"
        said.append(
            f"Differences whose {percent} interval{unadjusted} leaves out zero: {'; '.join(apart)}."
            if apart
            else f"The {percent} interval of {which} in shares holds zero."
        )
    total, count = int(found.table["n"].sum()), int(found.table["responders"].sum())
    if count < HARDLY_ANY * total or count > (1 - HARDLY_ANY) * total:
        hardly = "Hardly anybody" if count < HARDLY_ANY * total else "Nearly everybody"
        hardly = {0: "Nobody", total: "Everybody"}.get(count, hardly)
        said.append(f"{hardly} judged reached it ({count} of {total}), so these shares tell little.")
    return [*said, *_worse(found)]


def _worse(found: Responders) -> list[str]:
    """Say who got worse by as much as the threshold, where that is one in ten or more of a protocol."""
    endpoint = found.endpoint
    if endpoint.criterion != "improvement":
        return []
    judged = found.patients.dropna(subset=["improvement", "protocol"])
    worse = reached(-judged["improvement"], endpoint.to_reach.value)
    table = worse.groupby(judged["protocol"].astype("str")).agg(["sum", "size"])
    table = table.reindex([str(name) for name in found.table["protocol"] if str(name) in table.index])
    if not (table["sum"] >= WORSE_MANY * table["size"]).any():
        return []
    shares = [
        f"{numbers.share(row['sum'] / row['size'])} ({numbers.fraction(row['sum'], row['size'])}) with {name}"
        for name, row in table.iterrows()
    ]
    of_whom = " of those seen" if endpoint.missing == "non-response" else ""
    return [f"Worse by as much{of_whom}: {_few(shares, table['sum'] / table['size'])}."]


def beside_words(found: Responders) -> list[str]:
    """Say in one sentence who reached another threshold, beside the one that matters most to patients; nothing of nobody."""
    endpoint, shares = found.endpoint, _shares(found)
    what = f"{in_text(endpoint.measure.label)} {endpoint.reached_words} ({endpoint.to_reach.name})"
    then = "Then" if endpoint.criterion == "state" else "By then"
    return [f"{then} {what} in {shares}."] if shares else []


def _shares(found: Responders) -> str:
    """List the shares with their denominators, of many protocols the lowest and the highest; nothing of nobody."""
    judged = found.table[found.table["n"] > 0].reset_index(drop=True)
    shares = [
        f"{numbers.share(row.share)} ({numbers.fraction(row.responders, row.n)}) with {row.protocol}"
        for row in judged.itertuples()
    ]
    return _few(shares, judged["share"])


def _few(shares: list[str], order: pd.Series) -> str:
    """List shares, of many protocols the lowest and the highest."""
    if len(shares) <= MOST_LISTED:
        return numbers.listed(shares)
    return f"{shares[int(order.argmin())]} to {shares[int(order.argmax())]}"


def responders_title(found: Responders) -> str:
    """Say what the shares of responders support in one line, for the title of a slide."""
    what = f"Responders in {in_text(found.endpoint.measure.label)}"
    rows = found.differences.to_dict("records")
    if not rows:
        shares = [
            f"{numbers.share(one.share)} ({numbers.fraction(one.responders, one.n)})"
            for one in found.table.itertuples()
            if one.n
        ]
        return f"{what}: {shares[0]}" if shares else f"{what}: nobody judged"
    lost = [] if found.endpoint.missing == "non-response" else not_concluded(found)
    judged = [row for row in rows if str(row["protocol"]) not in lost and not numbers.is_missing(row["difference"])]
    apart = [row for row in judged if side(row["lower"], row["upper"])]
    told = [
        f"{row['protocol']} {numbers.points(row['difference'])} percentage points ({numbers.points_interval(row['lower'], row['upper'])})"
        for row in apart
    ]
    rest = {
        "too many lost to tell": lost,
        "cannot be told": [str(row["protocol"]) for row in judged if row not in apart],
    }
    return f"{what}{':' if told else ','} {one_line(told, rest, of=len(rows), when='')}"


def not_concluded(found: Responders) -> list[str]:
    """Name the protocols about which nothing is concluded, as too many of them or of the reference were not seen."""
    table = found.table[found.table["allocated"] > 0]
    lost = dict(zip(table["protocol"].astype("str"), 1 - table["n"] / table["allocated"], strict=True))
    base = lost.get(found.reference, 0.0)
    return [name for name, share in lost.items() if name != found.reference and too_many_lost([share, base])]
