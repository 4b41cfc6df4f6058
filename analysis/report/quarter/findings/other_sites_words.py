"""The sites by every other indicator, in words: how many judged, hidden, with a signal."""

from analysis.counted import form
from analysis.report.parts import numbers
from analysis.report.parts.numbers import in_text
from analysis.report.quarter.findings.finding import QuarterFindings
from analysis.report.quarter.findings.words import MOST_NAMED, WORTH_A_LOOK, name_words, shown


def other_sites_words(found: QuarterFindings) -> list[str]:
    """Say by how many other indicators sites are judged, at how many of them one has a signal, and which are hidden."""
    names = list(found.other_sites)
    judged = [one for one in names if found.other_sites[one].judged]
    n = numbers.plural(len(names), "further indicator")
    if not judged:
        return [f"By none of the {n} can a site be judged, as their counts by site are small." if len(names) > 1
                else f"By the one further indicator, {_title(found, names[0])}, no site can be judged, as its counts are small."]  # fmt: skip
    apart = [one for one in judged if found.other_sites[one].signals]
    said = [f"Of {n}, sites are judged by {len(judged)}."]
    told = f"{_listed(found, apart)} {form(len(apart), 'has')} sites" if apart else "not one has a site"
    said.append(f"Of those, {told} with a signal.")
    hidden = sum(found.other_sites[one].hidden > 0 for one in judged)
    if hidden:
        said.append(
            f"In {hidden} of them some sites are hidden because of small counts; counts of the main outcome are kept before theirs."
        )
    without = [one for one in names if one not in judged]
    if without:
        said.append(f"No site can be judged by {_listed(found, without)}.")
    if len(judged) > 1:
        said.append(
            f"By {len(judged)} indicators at once a site lies beyond the limits drawn by chance more often than by one: without a "
            f"signal it is {WORTH_A_LOOK}."
        )
    return said


def whole_words(found: QuarterFindings, name: str) -> str:
    """Give the value of the whole by an indicator."""
    sites = found.other_sites[name]
    return shown(found.of(name), sites.whole)[0] if sites.judged else numbers.MISSING


def _title(found: QuarterFindings, name: str) -> str:
    return in_text(name_words(found.of(name)))


def _listed(found: QuarterFindings, names: list[str]) -> str:
    if len(names) > MOST_NAMED:
        return f"{len(names)} indicators"
    return numbers.listed([_title(found, one) for one in names])
