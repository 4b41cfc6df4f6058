"""What a quarter found: records, each with what was looked at; every claim of the report speaks from them."""

from dataclasses import dataclass, field, replace
from typing import Final, Literal

from analysis.quarter import Indicator
from analysis.quarter.over_time.quarter_change import QuarterChange
from analysis.quarter.value_interval import TargetVerdict
from analysis.report.parts.losses import losses_differ, much_lost

#: The verdict on an outcome of which nothing is concluded.
LOST: Final = "too many lost"


@dataclass(frozen=True)
class Patients:
    """Who started in the quarter, and who of them is judged by the main outcome; NaN where a count is hidden.

    Attributes
    ----------
    started, due, judged : float
        Patients who started, those who count as due, and those with what the main outcome needs.
    lost_before : float
        Share of the patients due in the baseline who are not judged.
    not_yet_due : bool
        Whether nobody of the quarter was due by the as-of date.
    judged_words : str
        Who is judged.
    """

    started: float
    due: float
    judged: float
    lost_before: float
    not_yet_due: bool
    judged_words: str

    @property
    def lost(self) -> float:
        """Share of the due who are not judged; missing where hidden or where nobody is due."""
        return 1 - self.judged / self.due if self.due > 0 else float("nan")

    @property
    def partly_due(self) -> bool:
        """Whether some of those who started are known not to be due yet, and others are."""
        return not self.not_yet_due and self.due < self.started

    @property
    def much_lost(self) -> bool:
        """Whether a third or more of the due are known not to be judged."""
        return much_lost(self.lost)

    @property
    def losses_differ(self) -> bool:
        """Whether the losses are known to lie 15 points or more from those of the baseline."""
        return losses_differ([one for one in (self.lost, self.lost_before) if one == one])


@dataclass(frozen=True)
class Followed:
    """An indicator in the quarter.

    Attributes
    ----------
    indicator : Indicator
        The indicator.
    change : QuarterChange
        What the rules of its chart say of the quarter.
    numerator, denominator, value, lower, upper : float
        Of the quarter, with the limits of its interval; NaN where hidden, not due, or (limits) of a mean.
    before, baseline : float
        Values of the quarter before and of the baseline.
    chart : {"control chart", "run chart", "no chart"}
        What it was judged by.
    points, hidden : int
        Periods that can be shown, and those hidden because of small counts.
    usual : tuple of float
        Control limits of the quarter: a single quarter within them is no signal; NaN for run charts and months.
    in_baseline : bool
        Whether the quarter is itself part of the baseline.
    wanders : bool
        Whether the runs of the whole run chart are fewer or more than chance makes.
    floor_reached : bool or None
        Of completeness; None where there is no floor or it may not be said.
    target : {"met", "missed", "unsure", "unknown", "none"}
        What the interval of the quarter says of the target of the indicator.
    as_released : bool
        Whether the quarter stands as an earlier release showed it, as late data changed it by too few patients to be told.
    baseline_revised : bool
        Whether late data are seen to have changed periods of the baseline after it was stored.
    """

    indicator: Indicator
    change: QuarterChange
    numerator: float
    denominator: float
    value: float
    lower: float
    upper: float
    before: float
    baseline: float
    chart: Literal["control chart", "run chart", "no chart"]
    points: int
    hidden: int
    usual: tuple[float, float]
    in_baseline: bool
    wanders: bool
    floor_reached: bool | None
    target: TargetVerdict = "none"
    as_released: bool = False
    baseline_revised: bool = False

    @property
    def judged(self) -> bool:
        """Whether it can be told if there is a change."""
        return self.change.verdict in ("signal", "no signal")

    @property
    def compared(self) -> bool:
        """Whether it was held against its baseline, also where too many were lost for a conclusion."""
        return self.judged or self.change.verdict == LOST


@dataclass(frozen=True)
class Site:
    """A site that is named: its share, on which side of the whole it lies, and after adjustment its interval (else NaN)."""

    name: str
    value: float
    way: Literal["above", "below"]
    lower: float = float("nan")
    upper: float = float("nan")


@dataclass(frozen=True)
class SiteSignal:
    """A site with a signal by an indicator, and the side of the whole on which it lies; ``key`` names it in a release ledger."""

    indicator: str
    site: str
    way: str

    @property
    def key(self) -> str:
        """Name of the indicator and of the site."""
        return site_key(self.indicator, self.site)


def site_key(indicator: str, site: str) -> str:
    """Name the signal of a site by an indicator.

    Examples
    --------
    >>> site_key("improved", "north")
    'improved at north'
    """
    return f"{indicator} at {site}"


@dataclass(frozen=True)
class Sites:
    """The sites by the main outcome, over several quarters.

    Attributes
    ----------
    recorded : tuple of str
        Every group of patients by site; patients without a site are one.
    judged : int
        Those whose counts may be shown.
    hidden : int
        Those whose counts are hidden.
    span : str
        The quarters, in words.
    whole : float
        Share of all sites together; NaN where nothing is judged.
    shares : tuple of float
        The lowest and the highest share of a site judged; empty where none is.
    beyond, near : tuple of Site
        Those beyond the 99.8 % limits, and those beyond the 95 % limits only, by name.
    widened : bool
        Whether the sites differ by more than chance, so that the limits were widened.
    adjusted : int
        Those judged after adjustment for case mix; 0 where there was none.
    adjusted_whole : float
        Share of the whole that these are held against.
    ratios, estimates : tuple of float
        The lowest and the highest of observed over expected, and of the shares after adjustment; empty where there was none.
    apart : tuple of Site
        Those whose interval after adjustment leaves out the whole, by name.
    case_mix_known : bool
        Whether there was anything to adjust for.
    limits_notes, case_mix_notes : tuple of str
        How the limits and the adjustment were made, as the results say it.
    whole_hidden : bool
        Whether the counts of all sites together are hidden, so that the whole is that of the sites judged.
    signals : tuple of Site
        Those with a signal, by name: further from the whole than chance takes one in few releases; after adjustment for case
        mix where something was adjusted for. The others beyond limits are worth a look.
    after_adjustment : bool
        Whether signals are judged after adjustment.
    together : tuple of float
        Numerator and denominator of those hidden, together: what is left of the whole, which any reader can compute; empty where
        none is hidden, or the whole is, or some of these counts stand as an earlier release showed them.
    """

    recorded: tuple[str, ...]
    judged: int
    hidden: int
    span: str
    whole: float
    shares: tuple[float, ...]
    beyond: tuple[Site, ...]
    near: tuple[Site, ...]
    widened: bool
    adjusted: int
    adjusted_whole: float
    ratios: tuple[float, ...]
    estimates: tuple[float, ...]
    apart: tuple[Site, ...]
    case_mix_known: bool
    limits_notes: tuple[str, ...]
    case_mix_notes: tuple[str, ...]
    whole_hidden: bool = False
    signals: tuple[Site, ...] = ()
    after_adjustment: bool = False
    together: tuple[float, ...] = ()


@dataclass(frozen=True)
class QuarterFindings:
    """What was found, in the order in which a reader must know it.

    Attributes
    ----------
    quarter, level
        The quarter as 2026-Q1, and the level of the intervals.
    of_patients : bool
        Whether the counts come from a cohort; otherwise from aggregates, which hold no patient.
    patients : Patients or None
        None for aggregates.
    followed : tuple of Followed
        Every indicator.
    main : str
        Name of the indicator that sites are compared by; empty where there is none.
    sites : Sites or None
        None where there is no outcome to compare them by.
    latest_due : str
        The last quarter all of whose patients were due, where nobody of the one reported was; otherwise empty.
    as_of : str or None
        Day up to which the data were collected, as 2026-03-31; None where nobody said.
    other_sites : dict of str to Sites
        The sites by every other share and rate, by its name.
    """

    quarter: str
    level: float
    of_patients: bool
    patients: Patients | None
    followed: tuple[Followed, ...]
    main: str
    sites: Sites | None
    latest_due: str
    as_of: str | None = None
    other_sites: dict[str, Sites] = field(default_factory=dict)

    def about(self, name: str) -> "QuarterFindings":
        """Give the findings with another indicator in the place of the main one, for what is said of its sites."""
        return replace(self, main=name, sites=self.other_sites[name])

    @property
    def signals(self) -> tuple[Followed, ...]:
        """The indicators with a signal over time."""
        return tuple(one for one in self.followed if one.change.verdict == "signal")

    @property
    def site_signals(self) -> tuple[SiteSignal, ...]:
        """Every site with a signal, those by the main outcome first; a list of signals is made of these and of ``signals``."""
        main = {self.main: self.sites} if self.sites is not None else {}
        every = {**main, **self.other_sites}
        return tuple(SiteSignal(name, one.name, one.way) for name, sites in every.items() for one in sites.signals)

    def of(self, name: str) -> Followed:
        """Give an indicator by its name."""
        return next(one for one in self.followed if one.indicator.name == name)

    @property
    def completeness(self) -> tuple[Followed, ...]:
        """How many of the patients due have a value, measure by measure."""
        return tuple(one for one in self.followed if one.indicator.is_completeness)

    @property
    def beside_completeness(self) -> tuple[Followed, ...]:
        """Outcomes, balancing measures, and what is followed of the process."""
        return tuple(one for one in self.followed if not one.indicator.is_completeness)

    @property
    def harms(self) -> Followed | None:
        """The harms, where a cohort has them on record."""
        return next((one for one in self.followed if self.of_patients and one.indicator.name == HARMS), None)


HARMS = "harms"
