"""Everything a quarter's report is made of, computed once from counts that may be shown."""

from __future__ import annotations

import re
import warnings
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from analysis.cohort import Cohort
from analysis.errors import KneecurveWarning, ReportError
from analysis.quarter import (
    CaseMix,
    Funnel,
    Indicator,
    IndicatorChart,
    ReleasedCounts,
    chart_of,
)
from analysis.quarter.blocks import whole_blocks
from analysis.quarter.counts import check_quarter
from analysis.quarter.ledger.entries import Ledger, read_ledger
from analysis.quarter.network import CombinedCounts, with_unknown_hidden
from analysis.quarter.over_time.control_charts import FEWEST_POINTS
from analysis.quarter.periods import every_period, period_number, quarter_in_words, quarter_of
from analysis.report.quarter.agreed.changes import changes_in
from analysis.report.quarter.agreed.quarter_file import QUARTER_FILE, QuarterFile, read_quarter_file
from analysis.report.quarter.agreed.targets import with_targets
from analysis.report.quarter.beside import file_beside
from analysis.report.quarter.findings.rules import find
from analysis.report.quarter.findings.signal_words import signal_notes
from analysis.report.quarter.prepared.counted_folder import counted_folder, without_patients
from analysis.report.quarter.prepared.curve_study import CurvesByQuarter, curves_by_quarter
from analysis.report.quarter.prepared.equity_study import Equity, equity
from analysis.report.quarter.prepared.releasing import LEDGER_FILE, Releasing, release_beside
from analysis.report.quarter.prepared.site_study import other_funnels, site_case_mix, site_funnel
from analysis.report.running.declared import ReportParameters, parameter, takes

if TYPE_CHECKING:
    from analysis.report.quarter.findings.finding import QuarterFindings

#: Parameters that :func:`analysis.quarter.quarter_indicators` takes; for cohorts only.
OF_INDICATORS = ("measure", "week", "threshold", "enough_sessions", "floor")


@dataclass(frozen=True)
class QuarterParameters(ReportParameters):
    """Parameters of a quarter's outcomes."""

    folder: str = parameter(
        "../cohort_by_quarter", "cohort folder at the limited level, or a folder with aggregates.csv"
    )
    quarter: str | None = parameter(
        None, "the quarter reported, such as 2026-Q1; None: the last one all of whose patients were due"
    )
    measure: str | None = parameter(
        None, "main measure; None: the one with a published important change that has most values"
    )
    week: float | None = parameter(None, "week of the outcomes; None: 26 where it is there, else the last")
    threshold: float | None = parameter(None, "improvement that counts, positive; None: the published one")
    baseline: str | None = parameter(
        None,
        "periods of the centre lines, as 2023-Q1 to 2025-Q4, sets them anew; None: the stored ones, else the first twelve",
    )
    releases: str | None = parameter(
        None, "file with what earlier releases showed; None: beside the folder, with its name and .releases.json"
    )
    quarter_file: str | None = parameter(
        None, "targets, changes and actions of the team; None: beside the folder, with its name and .quarter.toml"
    )
    changes: list[str] = parameter([], "changes made, each as 2025-Q2: words")
    targets: list[str] = parameter([], "targets, each as improved: 0.7; a share from 0 to 1, a rate in its unit")
    site_quarters: int = parameter(4, "quarters over which sites are compared, the reported one last")
    floor: float = parameter(0.8, "share of the patients due that should have a value")
    enough_sessions: float = parameter(0.8, "share of the prescribed sessions that counts as reached")
    small_counts: Literal["hidden", "shown"] = parameter("hidden", "shown: for the team itself, never for release")
    level: float = parameter(0.95, "confidence level of intervals")


@dataclass(frozen=True, eq=False)
class QuarterStudy:
    """A quarter's outcomes, ready to be shown; it holds no count that may not be shown.

    Attributes
    ----------
    folder : Path
        The cohort folder, or the folder of the aggregates.
    origin : Cohort or None
        The cohort without its patients, for provenance; None for aggregates.
    released : ReleasedCounts
        Counts that may be shown.
    charts : dict of str to IndicatorChart
        By name of the indicator.
    found : QuarterFindings
        What was found; every claim of the report speaks from it.
    compared : Indicator or None
        The indicator that sites are compared by.
    funnel : Funnel or None
        Sites about the whole; None where there is none, and why in ``no_funnel``.
    case_mix : CaseMix or None
        Sites after adjustment; None where there is none, and why in ``no_case_mix``.
    annotations : tuple of (str, str)
        Period and words of changes that were made.
    notes : tuple of str
        What was counted.
    parameters : dict
        The parameters as given.
    level : float
        Confidence level.
    warnings : tuple of str
        What was warned of on the way.
    other_funnels : dict of str to Funnel or None
        Sites about the whole by every other share and rate, by its name; None where no site may be shown.
    curves : CurvesByQuarter or None
        Recovery curves by group of quarters; None where there are none, and why in ``no_curves``.
    releasing : Releasing
        Where the report stands among earlier releases.
    agreed : QuarterFile
        Targets, changes and actions of the team; empty where there is no quarter file.
    equity : Equity or None
        Groups of patients over a year; None where there are none, and why in ``no_equity``.
    """

    folder: Path
    origin: Cohort | None
    released: ReleasedCounts
    charts: dict[str, IndicatorChart]
    found: QuarterFindings
    compared: Indicator | None
    funnel: Funnel | None
    no_funnel: str
    case_mix: CaseMix | None
    no_case_mix: str
    annotations: tuple[tuple[str, str], ...]
    notes: tuple[str, ...]
    parameters: dict[str, Any]
    level: float
    warnings: tuple[str, ...]
    other_funnels: dict[str, Funnel | None]
    curves: CurvesByQuarter | None
    no_curves: str
    releasing: Releasing
    agreed: QuarterFile = field(default_factory=QuarterFile)
    equity: Equity | None = None
    no_equity: str = ""

    @property
    def invented(self) -> bool:
        """Whether the cohort was generated."""
        return self.origin is not None and self.origin.provenance.scenario is not None

    @property
    def quarter_words(self) -> str:
        """The quarter as readers say it."""
        return quarter_in_words(self.released.quarter)

    @property
    def span(self) -> str:
        """The periods over which sites are compared, in words."""
        return _span(self.released)

    def indicators(self, *roles: str) -> list[Indicator]:
        """Give the indicators of these roles, without completeness; of all roles where none is named."""
        held = [one for one in self.released.indicators if not one.is_completeness]
        return [one for one in held if not roles or one.role in roles]

    @property
    def completeness(self) -> list[Indicator]:
        """How many of the patients due have a value, measure by measure."""
        return [one for one in self.released.indicators if one.is_completeness]


@takes(QuarterParameters)
def prepare_quarter(folder: Path | str, **given: Any) -> QuarterStudy:
    """Load a cohort or aggregates, hide what must not be shown, and compute what a quarter's report shows.

    Parameters
    ----------
    folder : Path or str
        Cohort folder at the limited level (or invented), or a folder with aggregates.csv.
    {parameters}

    Returns
    -------
    QuarterStudy
        What :mod:`analysis.report.quarter` shows.

    Raises
    ------
    CohortError
        The folder is neither, the cohort holds no quarter (and why), or there are no data in the quarter.
    ReportError
        A baseline or a change cannot be read, there is no such parameter, or a value is of another type.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> from analysis.cohort import write_cohort
    >>> from synthetic_cohort import generate_cohort
    >>> with TemporaryDirectory() as name:
    ...     made = generate_cohort(patients=400, seed=3, quarters=4).observed
    ...     study = prepare_quarter(write_cohort(made, Path(name) / "cohort"))
    >>> study.released.quarter, study.charts["improved"].why
    ('2022-Q4', 'Only 4 points can be shown; control limits need 12, so this is a run chart.')
    """
    asked = QuarterParameters.checked(folder, given)
    place = Path(folder)
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always", KneecurveWarning)
        options = {name: getattr(asked, name) for name in OF_INDICATORS}
        counts, cohort, counted, notes = counted_folder(place, options)
        patients, origin = (counted.patients if counted else None), (without_patients(cohort) if cohort else None)
        agreed = read_quarter_file(
            file_beside(place, asked.quarter_file, QUARTER_FILE), needed=asked.quarter_file is not None
        )
        agreed.actions_of(counts.indicators, counts.sites)
        aims = agreed.targets_beside(asked.targets)
        counts = replace(counts, indicators=with_targets(counts.indicators, aims))
        at = check_quarter(counts, asked.quarter)
        periods = [one for one in counts.periods if period_number(quarter_of(one)) <= period_number(at)]
        window = [
            one for one in periods if period_number(quarter_of(one)) > period_number(at) - max(1, asked.site_quarters)
        ]
        path = file_beside(place, asked.releases, LEDGER_FILE)
        ledger = read_ledger(path) if asked.small_counts == "hidden" else Ledger()
        stored = asked.baseline is None and ledger.baseline and set(ledger.baseline) <= set(periods)
        fixed = list(ledger.baseline) if stored else _baseline(asked.baseline, periods)
        annotations = changes_in([*agreed.changes_until(periods), *asked.changes], periods)
        compared = next((one for one in counts.indicators if one.role == "outcome" and one.kind == "share"), None)
        released, releasing = release_beside(
            counts, at, ledger, path, baseline=fixed, window=window, compared=compared, small_counts=asked.small_counts,
            blocks=whole_blocks(periods, max(1, asked.site_quarters), immature=counts.immature),
        )  # fmt: skip
        released = with_unknown_hidden(released, counts)
        whole = None if isinstance(counts, CombinedCounts) and len(counts.unknown) else counts
        lines = ledger.lines if releasing.stored else {}
        charts = {
            one.name: chart_of(released, one, counts=whole, line=lines.get(one.name)) for one in released.indicators
        }
        sites, no_funnel = site_funnel(released, compared)
        others = other_funnels(released, compared)
        curves: tuple[CurvesByQuarter | None, str] = (None, "")
        groups: tuple[Equity | None, str] = (None, "")
        if cohort is not None and counted is not None:
            curves = curves_by_quarter(cohort, counted, released, asked.level, releasing.told)
            hidden = asked.small_counts == "hidden"
            groups = equity(cohort, counted, periods, releasing, hidden=hidden, level=asked.level)
        adjusted, no_case_mix = site_case_mix(released, compared, patients, counts, asked.level)
        found = find(
            released, charts, compared=compared, funnel=sites, case_mix=adjusted, span=_span(released),
            of_patients=origin is not None, level=asked.level, others=others,
        )  # fmt: skip
    ours = [str(one.message) for one in caught if issubclass(one.category, KneecurveWarning)]
    return QuarterStudy(
        place, origin, released, charts, found, compared, sites, no_funnel, adjusted, no_case_mix,
        annotations, (*notes, *signal_notes(found)), asked.given(), asked.level, tuple(dict.fromkeys(ours)), others, *curves,
        releasing, agreed, *groups,
    )  # fmt: skip


def _span(released: ReleasedCounts) -> str:
    first, last = (quarter_in_words(quarter_of(released.window[i])) for i in (0, -1))
    return first if first == last else f"{first} to {last}"


def _baseline(text: str | None, periods: list[str]) -> list[str]:
    if text is None:
        return periods[:FEWEST_POINTS]
    ends = re.fullmatch(r"\s*(\S+)\s+to\s+(\S+)\s*", text)
    named = every_period([ends[1], ends[2]]) if ends else []
    inside = [one for one in periods if one in named or quarter_of(one) in named]
    if not inside:
        raise ReportError(
            f"The baseline {text!r} names no period of the data.",
            where=f"periods there: {periods[0]} to {periods[-1]}",
            what_to_do=f"Write it as {periods[0]} to {periods[-1]}.",
        )
    return inside
