"""What a protocol comparison found: records, each with what was looked at; every claim of the report speaks from them."""

from dataclasses import dataclass
from typing import Literal

from analysis.cohort import Measure
from analysis.outcomes import Responders
from analysis.report.parts.losses import losses_differ, much_lost

#: A protocol in which fewer patients were seen gets a doubt (design choice).
FEW_SEEN = 20
#: A score of which this share of patients has the best value cannot tell them apart (Terwee et al., J Clin Epidemiol
#: 2007;60:34: more than 15 %).
AT_THE_END = 0.15
#: Shares of responders of all patients counted below this, or above 1 minus it, say little (design choice).
HARDLY_ANY = 0.05
#: Home sessions of a protocol of which less than this share was done get a doubt (design choice).
HARDLY_DONE = 0.5
#: Where this share of a protocol got worse by as much as the threshold of improvement, it is said (design choice).
WORSE_MANY = 0.1

#: favours: the interval, adjusted for the number of comparisons, leaves out no difference, on that side. undecided: it holds
#: it. no conclusion: too many were lost to say. beyond the ideal: a mean lies beyond the best value, or the means hide values on
#: both sides of it, so that higher, or lower, is not better. not compared: no interval.
Verdict = Literal[
    "favours protocol", "favours reference", "undecided", "no conclusion", "beyond the ideal", "not compared"
]


@dataclass(frozen=True)
class Seen:
    """Who was seen at the primary week: patients of a protocol with a value of the measure, and all."""

    protocol: str
    seen: int
    allocated: int

    @property
    def lost(self) -> float:
        """Share not seen; missing where nobody was allocated."""
        return 1 - self.seen / self.allocated if self.allocated else float("nan")


@dataclass(frozen=True)
class Stayed:
    """Who stayed of a protocol: all, those with a baseline, and those seen after it, of any measure.

    ``seen`` has a value of the measure at the primary week, and ``lost`` was not seen at the last week nor after it; None
    where visits have no schedule. Reasons come with their patients, the most frequent first.
    """

    protocol: str
    allocated: int
    started: int
    after_baseline: int
    seen: int | None
    lost: int | None
    reasons: tuple[tuple[str, int], ...]


@dataclass(frozen=True)
class Mean:
    """The model mean of a protocol at the primary week; NaN where it has none."""

    protocol: str
    estimate: float
    lower: float
    upper: float


@dataclass(frozen=True)
class Shift:
    """The shift of the missed values of a protocol at which its interval changes sides of zero.

    ``at`` is NaN where none does that was tried, from ``smallest`` to ``largest``; ``excludes_zero`` is of no shift, and
    ``shifted`` says how many values are missed.
    """

    at: float
    smallest: float
    largest: float
    excludes_zero: bool
    shifted: int


@dataclass(frozen=True)
class Difference:
    """A protocol against (minus) the reference at one week, by the curves, in the unit of the measure.

    Limits and p value are adjusted for ``among`` comparisons; ``seen`` and ``reference_seen`` are None where visits have no
    schedule; ``mean`` and ``reference_mean`` are of the model. Of ``analyses`` with other assumptions about missing visits
    ``turned_by`` give another verdict; their differences go from the lowest to the highest of ``spread``, the curves with
    them. ``alone`` has the limits that are not adjusted, which leave out zero at ``apart`` of ``weeks`` with an interval.
    ``far`` has the mean distances of those seen from the best value, with the protocol and with the reference, where the
    means hide values on both sides of it.
    """

    protocol: str
    reference: str
    week: float
    estimate: float
    lower: float
    upper: float
    p_value: float
    among: int
    seen: Seen | None
    reference_seen: Seen | None
    verdict: Verdict
    mean: float
    reference_mean: float
    turned_by: int
    analyses: int
    alone: tuple[float, float] = (float("nan"), float("nan"))
    apart: int = 0
    weeks: int = 0
    spread: tuple[float, float] = (float("nan"), float("nan"))
    shift: Shift | None = None
    far: tuple[float, float] | None = None


@dataclass(frozen=True)
class Balanced:
    """A difference at the primary week among patients made alike by weights, where nobody drew lots.

    ``difference`` has its limits, p value and verdict, adjusted as those of the curves; ``crude`` is the difference without any
    balance, with limits of its own. ``e_value`` is the risk ratio that an unlisted factor would need with both protocol and
    outcome to explain it away, ``e_value_limit`` that for the nearer limit; ``effective`` says how many patients with the
    protocol and with the reference the weights stand for; ``few_carry`` whether a few patients carry the result.
    """

    difference: Difference
    crude: tuple[float, float, float]
    e_value: float
    e_value_limit: float
    effective: tuple[float, float]
    few_carry: bool


@dataclass(frozen=True)
class Control:
    """A measure that no protocol can have changed, compared among patients made alike at the primary week.

    Limits are adjusted for ``among`` comparisons; where they leave out zero something was not made alike.
    """

    measure: Measure
    protocol: str
    reference: str
    week: float
    estimate: float
    lower: float
    upper: float
    among: int


@dataclass(frozen=True)
class Course:
    """A week other than the primary one at which the interval, adjusted for all weeks, leaves out no difference; secondary.

    Fields are as of :class:`Difference`; weeks at which too many were lost are left out; ``seen`` has the reference and the
    protocol at that week. ``also`` has other weeks of which the same is to be said, with less of a difference. The kind is
    "faded" (an earlier difference not found at the primary week), "not yet" (a later one), "reversed" (one in the other
    direction than there), "open" (nothing can be concluded there, whichever way it points), or "gone" (the last week, where
    the difference of the primary one is found no more).
    """

    protocol: str
    reference: str
    week: float
    estimate: float
    lower: float
    upper: float
    among: int
    kind: Literal["faded", "not yet", "reversed", "open", "gone"]
    seen: tuple[Seen, ...] = ()
    also: tuple[float, ...] = ()


@dataclass(frozen=True)
class InOrder:
    """An outcome of a protocol against (minus) the reference, in the order in which outcomes are tested.

    The first place has the primary outcome, whose verdict is that of its :class:`Difference`. Limits are not adjusted, the p
    value is, over all outcomes and protocols. Verdicts are those of a difference; "not tested" stands where one before it in
    the order was not found, so that its interval describes only.
    """

    place: int
    measure: Measure
    week: float
    protocol: str
    reference: str
    seen: Seen
    reference_seen: Seen
    estimate: float
    lower: float
    upper: float
    p_value: float
    verdict: Verdict | Literal["not tested"]


@dataclass(frozen=True)
class GroupsApart:
    """Whether differences are others in groups of patients, by the test of interaction alone (all protocols at once)."""

    by: str
    groups: tuple[str, ...]
    p_value: float
    verdict: Literal["told apart", "undecided", "no conclusion", "not tested"]


@dataclass(frozen=True)
class Findings:
    """What was found, in the order in which a reader must know it.

    Attributes
    ----------
    seen : tuple of Seen
        By protocol, the reference first; empty where visits have no schedule.
    differences : tuple of Difference
        At the primary week, a row a protocol other than the reference.
    courses : tuple of Course
        Other weeks that tell another story.
    responders : Responders or None
        The analysis whose threshold is of importance to patients, where there is one, else the first.
    opposite : tuple of str
        Protocols for which the difference of means is clear and that of responders points the other way.
    imbalance : tuple of (str, str, float)
        Protocol, characteristic and standardised difference from the reference at the start, the largest first; only of
        patients not allocated at random.
    unusual : tuple of (str, float, float)
        Protocol, week and mean of the patients seen, where it lies outside what groups have; the furthest of each protocol.
    at_best : tuple of int
        Patients with the best value that the score has, of those seen at the primary week; empty where they are few.
    no_room : tuple of int
        Patients too near the best value at the start to improve by the threshold, of those judged; empty where they are few.
    tips : tuple of (str, float)
        Protocols of which a shift of the missed values that is smaller than the measure's smallest threshold takes a favour away.
    harms : tuple of (str, int, int, int)
        Protocol, patients with a serious harm, with another one, and all; empty where events were not recorded.
    harms_unsaid : tuple of int
        Harms of which it was not said whether they were serious, and all harms on record; empty where it was said of all.
    start_known : bool
        Whether anything is known of the patients at the start.
    hardly_done : tuple of (str, str, int, int)
        Protocol, modality, home sessions done and prescribed, where less than half were done.
    sessions_known : bool
        Whether any home sessions are on record.
    stayed : tuple of Stayed
        By protocol, the reference first.
    primary_week, last_week : float or None
        The week of the comparison, and the last one of the schedule.
    means : tuple of Mean
        At the primary week, of the model, by protocol, the reference first; empty without curves.
    in_order : tuple of InOrder
        The primary outcome and the secondary ones by place and protocol; empty where none was named or none can be compared.
    groups : tuple of GroupsApart
        One a named characteristic whose groups could be compared.
    by_plan : tuple of int or None
        Deviations from the analysis plan, and points compared; None without a plan.
    balanced : tuple of Balanced
        Where nobody drew lots, the differences among patients made alike; empty where there are none.
    balanced_for : tuple of str
        What they are made alike in, as columns; empty where they are not.
    controls : tuple of Control
        A measure that no protocol can have changed, a row a protocol; empty where none was named or it cannot be compared.
    not_balanced : str
        Why patients could not be made alike; empty where they are, or were allocated at random.
    """

    seen: tuple[Seen, ...]
    differences: tuple[Difference, ...]
    courses: tuple[Course, ...]
    responders: Responders | None
    opposite: tuple[str, ...]
    imbalance: tuple[tuple[str, str, float], ...]
    unusual: tuple[tuple[str, float, float], ...]
    at_best: tuple[int, ...]
    no_room: tuple[int, ...]
    tips: tuple[tuple[str, float], ...]
    harms: tuple[tuple[str, int, int, int], ...]
    harms_unsaid: tuple[int, ...] = ()
    start_known: bool = True
    hardly_done: tuple[tuple[str, str, int, int], ...] = ()
    sessions_known: bool = False
    stayed: tuple[Stayed, ...] = ()
    primary_week: float | None = None
    last_week: float | None = None
    means: tuple[Mean, ...] = ()
    in_order: tuple[InOrder, ...] = ()
    groups: tuple[GroupsApart, ...] = ()
    by_plan: tuple[int, int] | None = None
    balanced: tuple[Balanced, ...] = ()
    balanced_for: tuple[str, ...] = ()
    controls: tuple[Control, ...] = ()
    not_balanced: str = ""

    @property
    def compared(self) -> tuple[Difference, ...]:
        """The differences that the answer speaks of: those among patients made alike where there are any, else of the curves."""
        return tuple(one.difference for one in self.balanced) or self.differences

    @property
    def much_lost(self) -> tuple[Seen, ...]:
        """Protocols of which a third or more were not seen."""
        return tuple(one for one in self.seen if much_lost(one.lost))

    @property
    def losses_differ(self) -> bool:
        """Whether the shares lost of two protocols are 15 points or more apart."""
        return losses_differ(one.lost for one in self.seen if one.allocated)

    @property
    def few_seen(self) -> tuple[Seen, ...]:
        """Protocols of which fewer than 20 patients were seen."""
        return tuple(one for one in self.seen if one.seen < FEW_SEEN)
