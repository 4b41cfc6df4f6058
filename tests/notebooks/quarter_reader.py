"""A reader of a printed quarter's report: every count that stands in it, and what a solver makes of them all."""

import re

import numpy as np
from scipy import sparse
from scipy.optimize import linprog

from analysis.quarter.counted import STARTED
from analysis.quarter.harms import FOLLOWED, HARMS
from analysis.quarter.indicators import CHANGE, DUE, IMPROVED
from analysis.report.quarter.findings.site_words import WHOLE_HIDDEN

N = r"(\d[\d,]*)"
#: Sentences with counts of the quarter, and of what they are; a name in braces is the title of an indicator.
SENTENCES = (
    (rf"{N} patients? started; (?:all were|the one was) due", (STARTED, DUE)),
    (rf"{N} patients? started; {N} of them (?:was|were) due", (STARTED, DUE)),
    (rf"{N} patients? started(?:\.|; how many)", (STARTED,)),
    (rf"Of those who started in Q\d \d+, {N} patients? (?:was|were) due", (DUE,)),
    (rf"Seen (?:was|were) {N} of {N} ", (CHANGE, DUE)),
    (rf"On record (?:is|are) {N} harms? within six weeks among {N} patients? followed", (HARMS, FOLLOWED)),
    (rf"of the {N} patients? followed six weeks", (FOLLOWED,)),
)
#: What follows from counts that were read already, or counts nothing of the cohort.
NOT_COUNTS = (
    rf"per 100 patients|{N} (?:was|were) lost|[Cc]ounts from 1 to 10|a count from 1 to 10|hidden are as one [^)]*\)"
)
#: What a count in words looks like; none may be left when all that is known was taken out.
ANY_COUNT = rf"{N}/{N}|{N} among {N}|{N} (?:patients?|harms?|were lost|was lost|of \d+ patients)"


def words_of(made):
    """Give everything in words: In short with its points, what changed, titles of slides, captions, alternative sentences."""
    said = [text for cell in ("answer", "changed", "sites-over-time") for text in made.sentences(cell)]
    said += [text for one in made.parts("answer", "passage") for text in one.get("points", ())]
    for cell in ("outcomes", "sites", "case-mix", "balancing", "sites-by-indicator", "sites-over-time", "recovery"):
        said += [one[name] for one in made.figures(cell) for name in ("message", "caption", "alt")]
    return said


def counts_in_words(made, counts, quarter):
    """Read the counts of the quarter out of the words; give them by quantity, with what no rule could read."""
    found, left = {}, []
    for text in words_of(made):
        rest = text.replace("\u00a0", " ")
        for one in counts.indicators:
            title = one.title if not one.name.startswith("complete ") else f"Completeness of {re.escape(one.title)}"
            names = {one.numerator: 1, one.denominator: 2}
            pattern = rf"(?i:{title})(?: among those seen)?: [^(;]*? \({N}(?:/| among ){N}[;)]"
            for hit in re.finditer(pattern, rest):
                for name, place in names.items():
                    found.setdefault(name, set()).add(_number(hit[place]))
            rest = re.sub(pattern, "", rest)
        for pattern, names in SENTENCES:
            for hit in re.finditer(pattern, rest):
                numbers = [_number(one) for one in hit.groups() if one]
                for name, value in zip(names, numbers * (len(names) // len(numbers)), strict=True):
                    found.setdefault(name, set()).add(value)
            rest = re.sub(pattern, "", rest)
        left += [hit[0] for hit in re.finditer(ANY_COUNT, re.sub(NOT_COUNTS, "", rest))]
    assert all(len(values) == 1 for values in found.values()), found
    return {(name, quarter): values.pop() for name, values in found.items()}, left


def printed(made, counts, quarter):
    """Give every count that the report prints, in words and in tables, by quantity and place."""
    found, left = counts_in_words(made, counts, quarter)
    assert left == []
    by_name = {f"chart-{one.name}".replace(" ", "-"): one for one in counts.indicators}

    def note(one, where, numerator, denominator):
        for name, text in ((one.numerator, numerator), (one.denominator, denominator)):
            if name not in counts.not_counts and re.fullmatch(r"[\d,]+", text):
                found[name, where] = _number(text)

    for figure in [*made.figures("outcomes"), *made.figures("balancing")]:
        for row in figure["table"]["rows"]:
            quarter_of, year = row[0].split()
            note(by_name[figure["name"]], f"{year}-{quarter_of}", row[1], row[2])
    for row in made.tables("indicators")[0]["rows"]:
        one = next(one for one in counts.indicators if row[0].startswith(one.label))
        note(one, quarter, row[1], row[2])
        if re.match(r"[\d,.]+", row[6]):  # printed rounded: the reader is given the exact counts
            found |= _exact(counts, one, "baseline")
    for table in made.tables("harms"):
        for row in table["rows"]:
            one = next(one for one in counts.details if one.label == row[0])
            note(one, quarter, row[1], row[2])
            if re.match(r"[\d,.]+", row[4]):
                found |= _exact(counts, one, "baseline")
    for row in made.tables("completeness")[0]["rows"] if made.tables("completeness") else []:
        one = next(one for one in counts.indicators if one.name.startswith("complete ") and one.label == row[0])
        note(one, quarter, row[1], row[2])
    main = next(one for one in counts.indicators if one.numerator == IMPROVED)
    by_site = [one["table"] for one in made.figures("sites")] or made.tables("sites")
    for row in by_site[0]["rows"] if by_site else []:
        note(main, f"site: {row[0]}", row[1], row[2])
    for row in made.figures("case-mix")[0]["table"]["rows"] if made.figures("case-mix") else []:
        note(main, f"site: {row[0]}", row[2], row[1])
    for figure in made.figures("sites-by-indicator"):
        one = next(one for one in counts.indicators if figure["name"] == f"funnel-{one.name}".replace(" ", "-"))
        for row in figure["table"]["rows"]:
            note(one, f"site: {row[0]}", row[1], row[2])
        if WHOLE_HIDDEN not in figure["caption"]:
            found |= _exact(counts, one, "window")
    for figure in made.figures("sites-over-time"):
        for site, span, numerator, denominator, *_ in figure["table"]["rows"]:
            note(main, place_of(counts, site, span), numerator, denominator)
    # Shares of the window and of the baseline are printed rounded: the reader is given their exact counts.
    found |= _exact(counts, main, "window") | _exact(counts, main, "baseline")
    if any("of the baseline: the quarters may hold" in text for text in made.sentences("answer")):
        found[DUE, "baseline"] = _sum(counts, DUE, counts.quarters[:12])
    return found


def place_of(counts, site, span):
    """Name the place of a block, by the words that a report has for it: a year, or the quarters over which sites are compared."""
    window = counts.quarters[-4:]
    if not re.fullmatch(r"\d{4}", span) or {f"{span}-Q{q}" for q in range(1, 5)} == set(window):
        return "window" if site == "All sites" else f"site: {site}"
    return f"block {span}" if site == "All sites" else f"block {span}, site: {site}"


def quarters_of_block(place):
    """Give the quarters of a block, a calendar year."""
    return [f"{place[6:10]}-Q{q}" for q in range(1, 5)]


def _exact(counts, one, where):
    over = counts.quarters[:12] if where == "baseline" else counts.quarters[-4:]
    names = [name for name in (one.numerator, one.denominator) if name not in counts.not_counts]
    return {(name, where): _sum(counts, name, over) for name in names}


def _sum(counts, name, quarters):
    return float(counts.matrix(name).loc[list(quarters)].to_numpy().sum())


def _number(text):
    return float(text.replace(",", ""))


def recovered(counts, known, quarters=4):
    """Bound every small count of every quantity from what is known; give how many there are, and those not left open."""
    years = sorted({where[:10] for _, where in known if where.startswith("block ")})
    blocks = [*years, *(f"{year}, site: {one}" for year in years for one in counts.sites)]
    names = [name for name in dict.fromkeys(counts.table["quantity"]) if name not in counts.not_counts]
    window, baseline = counts.quarters[-quarters:], counts.quarters[:12]
    places = [*counts.quarters, *(f"site: {one}" for one in counts.sites), "window", "baseline", *blocks]
    cell = {key: i for i, key in enumerate((name, where) for name in names for where in places)}
    values, rows = np.zeros(len(cell)), []
    for name in names:
        matrix = counts.matrix(name)
        for where in places:
            inside = {"window": window, "baseline": baseline}.get(where, [where])
            if where in blocks:
                inside = quarters_of_block(where)
            of_site = where.partition("site: ")[2]
            of = matrix.loc[inside if where in blocks else window, of_site] if of_site else matrix.loc[list(inside)]
            values[cell[name, where]] = of.to_numpy().sum()
        rows += [
            ((name, "window"), [(name, one) for one in window]),
            ((name, "baseline"), [(name, one) for one in baseline]),
        ]
        rows.append(((name, "window"), [(name, f"site: {one}") for one in counts.sites]))
        for year in years:
            rows.append(((name, year), [(name, one) for one in quarters_of_block(year)]))
            rows.append(((name, year), [(name, f"{year}, site: {one}") for one in counts.sites]))
    rows += [((total, where), [(part, where) for part in parts]) for total, parts in counts.sums for where in places]
    matrix = sparse.lil_array((len(rows), len(cell)))
    for place, (total, parts) in enumerate(rows):
        matrix[place, cell[total]] = 1
        for part in parts:
            matrix[place, cell[part]] -= 1
    assert np.abs(matrix @ values).max() < 1e-6
    for key, value in known.items():
        assert values[cell[key]] == value, key
    hidden = np.ones(len(cell), dtype=bool)
    hidden[[cell[key] for key in known]] = False
    matrix = matrix.tocsc()
    unknown, right = np.flatnonzero(hidden), -(matrix[:, ~hidden] @ values[~hidden])
    small, not_open = np.flatnonzero((values >= 1) & (values <= 10)), []
    for i in small:
        aim = (unknown == i).astype(float)
        ends = [linprog(way * aim, A_eq=matrix[:, unknown], b_eq=right, bounds=(0, None)) for way in (1, -1)]
        assert ends[0].status == 0
        if not hidden[i] or ends[0].fun > 1 + 1e-6 or (ends[1].status == 0 and -ends[1].fun < 11 - 1e-6):
            not_open.append(next(key for key, place in cell.items() if place == i))
    return len(small), not_open
