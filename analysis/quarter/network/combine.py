"""Check the files of several sites against each other and add them up: same definitions, no site twice, one day."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pandas as pd

from analysis.cohort.recognition.site_names import one_name_a_site, site_key
from analysis.errors import CohortError
from analysis.quarter.counted import STARTED
from analysis.quarter.counts import Indicator
from analysis.quarter.network.shared_counts import Definitions, SharedCounts, as_plain
from analysis.quarter.periods import is_quarter

_COUNT_AGAIN = "Agree on it and count again at the sites concerned: kneecurve aggregate COHORT --out FILE --set measure=... --set week=..."


def combine(files: Sequence[SharedCounts], *, common: bool = False) -> SharedCounts:
    """Put the counts of several sites together, as those of one cohort that holds all their patients.

    Parameters
    ----------
    files : sequence of SharedCounts
        As :func:`analysis.quarter.network.read_counts` gives them.
    common : bool
        Whether indicators that some files lack are left out; without it such files are refused.

    Returns
    -------
    SharedCounts
        The counts of all sites. A period counts as due where it is at any site: the patients of the others who started in it
        are then due as well, as they would be in one cohort.

    Raises
    ------
    CohortError
        A site is there twice, definitions, versions, days or case-mix models differ; the message names the files and what to do.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> from analysis.quarter.network.aggregate import aggregate
    >>> sent = [
    ...     aggregate(generate_cohort(patients=80, quarters=4, seed=seed).observed, measure="ikdc", week=26)[0]
    ...     for seed in (2, 3)
    ... ]
    >>> combine(sent)
    Traceback (most recent call last):
    ...
    analysis.errors.CohortError: The site 'site A' is in two files.
      ...
    """
    if not files:
        raise CohortError("There is nothing to combine.", where="files", what_to_do="Name the files of the sites.")
    _refuse_sites(files)
    _refuse_different(
        [(one, one.kit) for one in files], "versions of the kit", "Count again with one version of the kit."
    )
    _refuse_different(
        [(one, "no day" if one.as_of is None else one.as_of.isoformat()) for one in files], "days on which the data were taken (as of)",
        "Take the data of all sites as of one day, and count again.",
    )  # fmt: skip
    _refuse_different(
        [(one, "quarters" if is_quarter(one.periods[0]) else "months") for one in files], "kinds of periods",
        "Give all as quarters, or all as months.",
    )  # fmt: skip
    _refuse_different(
        [(one, "none" if one.expected is None else one.expected.model[:12]) for one in files], "case-mix models",
        "Send the model of the first site (--write-case-mix) to all, and count again with --case-mix.",
    )  # fmt: skip
    files = _with_one_definition(files, common=common)
    first = files[0]
    not_yet = _not_yet(files)
    cells = pd.concat([one.cells for one in files], ignore_index=True)
    # Quantities stand in the order of the cohort: of two counts that serve alike the first is hidden.
    kept = set(first.definitions.quantities)
    order = {name: place for place, name in enumerate(first.cells["quantity"].unique()) if name in kept}
    cells = cells[cells["quantity"].isin(order)].sort_values(
        ["quantity", "period", "site"],
        key=lambda values: values.map(order) if values.name == "quantity" else values,
        kind="stable",
    )
    expected = first.expected
    if expected is not None:
        tables = [one.expected.table for one in files if one.expected is not None]
        expected = replace(expected, table=pd.concat(tables, ignore_index=True))
    hidden = any(one.small_counts == "hidden" for one in files)
    notes = tuple(dict.fromkeys(note for one in files for note in one.notes))
    given = tuple(source for one in files for source in one.files)
    return replace(
        first, files=given, cells=cells.reset_index(drop=True), not_yet=not_yet, small_counts="hidden" if hidden else "shown",
        expected=expected, notes=notes, source=", ".join(one.source for one in files if one.source),
    )  # fmt: skip


def _name(one: SharedCounts) -> str:
    return one.source or " and ".join(one.sites)


def _refuse_sites(files: Sequence[SharedCounts]) -> None:
    """Refuse a site that comes twice, and sites whose names differ by signs only."""
    first: dict[str, SharedCounts] = {}
    for one in files:
        for site in one.sites:
            other = first.setdefault(site_key(site), one)
            if other is not one:
                raise CohortError(
                    f"The site {site!r} is in two files.",
                    where=f"{_name(other)}, {_name(one)}",
                    what_to_do="Leave one out where a file came twice. Where two sites have one name, let one of them count again "
                    "with another: kneecurve aggregate COHORT --out FILE --site NAME.",
                )
    collision = one_name_a_site(pd.Series([site for one in files for site in one.sites])).collision
    if collision:
        raise CohortError(
            f"There are {collision}.", where=", ".join(map(_name, files)),
            what_to_do="Let one of them count again with another name: kneecurve aggregate COHORT --out FILE --site NAME.",
        )  # fmt: skip


def _refuse_different(said: Sequence[tuple[SharedCounts, str]], what: str, what_to_do: str) -> None:
    groups: dict[str, list[str]] = {}
    for one, value in said:
        groups.setdefault(value, []).append(_name(one))
    if len(groups) > 1:
        where = [f"{value}: {', '.join(names)}" for value, names in groups.items()]
        raise CohortError(f"The files are of different {what}.", where=where, what_to_do=what_to_do)


def _with_one_definition(files: Sequence[SharedCounts], *, common: bool) -> list[SharedCounts]:
    """Refuse files that did not count the same; with ``common`` leave out what some of them lack."""
    for what in ("measure", "week"):
        _refuse_different([(one, f"{getattr(one.definitions, what)}") for one in files], f"{what}s", _COUNT_AGAIN)
    names = list(dict.fromkeys(indicator.name for one in files for indicator in one.definitions.indicators))
    lacking: dict[str, list[str]] = {}
    for name in names:
        having = [(one, found) for one in files if (found := _of(one, name)) is not None]
        _refuse_different([(one, _in_words(found)) for one, found in having], f"definitions of {name!r}", _COUNT_AGAIN)
        if len(having) < len(files):
            lacking[name] = [_name(one) for one in files if _of(one, name) is None]
    if lacking and not common:
        raise CohortError(
            "Some files lack an indicator that others have.",
            where=[f"{name!r} is not in {', '.join(those)}" for name, those in lacking.items()],
            what_to_do="Leave these indicators out with --common, or import at those sites what they are counted from and count again.",
        )
    shared = set.intersection(*(set(one.definitions.quantities) for one in files))
    kept = [name for name in names if name not in lacking]
    answer = [replace(one, definitions=_restricted(one.definitions, kept, shared)) for one in files]
    _refuse_different(
        [(one, repr(sorted(one.definitions.sums))) for one in answer], "sums between counts", _COUNT_AGAIN
    )
    return [replace(one, definitions=answer[0].definitions) for one in answer]


def _restricted(said: Definitions, names: Sequence[str], shared: set[str]) -> Definitions:
    """Keep some indicators, and the sums of which every file has all parts."""
    return replace(
        said,
        indicators=tuple(one for one in said.indicators if one.name in names),
        details=tuple(one for one in said.details if {one.numerator, one.denominator} <= shared),
        sums=tuple((total, parts) for total, parts in said.sums if {total, *parts} <= shared),
        not_counts=tuple(name for name in said.not_counts if name in shared),
    )


def _of(one: SharedCounts, name: str) -> Indicator | None:
    return next((indicator for indicator in one.definitions.indicators if indicator.name == name), None)


def _in_words(indicator: Indicator) -> str:
    said: dict[str, Any] = as_plain(indicator)
    return "; ".join(str(value) for value in said.values() if value not in ("", None))


def _not_yet(files: Sequence[SharedCounts]) -> dict[str, tuple[str, ...]]:
    """Give the periods that are due at no site with patients who started in them."""
    started: dict[str, list[SharedCounts]] = {}
    for one in files:
        rows = one.cells[(one.cells["quantity"] == STARTED) & (one.cells["upper"] > 0)]
        for period in rows["period"].unique():
            started.setdefault(str(period), []).append(one)
    quantities = dict.fromkeys(quantity for one in files for quantity in one.not_yet)
    return {
        quantity: tuple(
            period
            for period, those in sorted(started.items())
            if all(period in one.not_yet.get(quantity, ()) for one in those)
        )
        for quantity in quantities
    }
