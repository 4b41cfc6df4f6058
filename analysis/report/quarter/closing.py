"""What stands at the end of a quarter's report: actions to fill in, methods, cautions, provenance."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.cohort import Cohort
from analysis.quarter.case_mix import COVARIATES
from analysis.quarter.control_charts import FEWEST_POINTS, TOO_WIDE, ControlChart
from analysis.quarter.periods import quarter_in_words
from analysis.quarter.prime_charts import LANEY, LARGE
from analysis.quarter.run_chart import RULE_SET as RUN_RULE_SET
from analysis.quarter.run_chart import RULES as RUN_RULES
from analysis.quarter.special_causes import RULE_SET, RULES
from analysis.report.parts import numbers
from analysis.report.parts.passages import Passage, Section
from analysis.report.parts.tables import Column, Table
from analysis.report.parts.wording import ABOUT_GROUPS, DEFERRED, MOST_DOUBTS, NO_FINDING, Caution, cautions_of
from analysis.report.quarter.findings.doubts import doubts_words
from analysis.report.quarter.findings.words import has_changed, title_words
from analysis.report.quarter.opening import NOT_FOR_RELEASE, RELEASED
from analysis.report.quarter.releasing import releasing_words
from analysis.report.quarter.study import QuarterParameters
from analysis.report.running.provenance import show_provenance

if TYPE_CHECKING:
    from analysis.report.quarter.study import QuarterStudy

_EMPTY_ROWS = 3
_LIMITED = Caution(
    "Made from a limited data set: check the data use agreement before the report leaves the organisation.",
    "Made from a limited data set: check the agreement before it leaves.",
)
_NO_LEAGUE = Caution(
    "A quarter is no league: sites stand by name, and a place beyond a limit is a reason to ask, not a verdict. Data "
    "quality, case mix and chance come before care as explanations.",
    "A site beyond a limit is a reason to ask, not a verdict.",
)
_NO_SIGNAL = Caution(
    "Do not explain a difference between two quarters without a signal.",
    "Do not explain a difference between two quarters without a signal.",
)
_TWO_RELEASES = Caution(
    "Two releases can be compared with each other: before another cut of the same patients is released, check what the "
    "difference gives away.",
    "Check what the difference between two releases gives away.",
)


def actions(study: QuarterStudy) -> Section:
    """Give a table to fill in: a row for each signal, and empty ones."""
    seen = [title_words(study.found, one) for one in study.found.followed if has_changed(one)]
    rows = pd.DataFrame({"seen": [*seen, *["…"] * _EMPTY_ROWS]})
    table = Table(
        rows.assign(**dict.fromkeys(("question", "action", "who", "when"), "…")),
        "Actions, to be filled in by the team.",
        (
            Column("seen", "What was seen"),
            Column("question", "What may explain it"),
            Column("action", "What will be done"),
            Column("who", "By whom"),
            Column("when", "By when"),
        ),
        ("Where there is no signal, an action is a change of the process, tried on a small scale first.",),
        name="actions",
    )
    return Section((table,))


def methods(study: QuarterStudy) -> Section:
    """Say in words how the numbers came about."""
    released = study.released
    first, last = (quarter_in_words(released.baseline[i]) for i in (0, -1))
    sentences = [
        *study.notes,
        (
            f"Centre lines and limits come from a baseline, {first} to {last}, {_kept(study)}. After a change that has "
            "lasted, set a new baseline (parameter baseline) and say so."
        ),
        (
            "Charts: p for shares, u for events per patient, XmR for means; with fewer than 12 points to show, or a "
            "shorter baseline, a run chart about the median."
        ),
        _prime_charts(study),
        f"Control charts follow one rule set, the {RULE_SET}: {'; '.join(RULES.values())}.",
        f"Run charts follow the {RUN_RULE_SET}: {'; '.join(RUN_RULES.values())}.",
        (
            f"Sites are compared over {study.span}. Limits are exact; over-dispersion is tested and, where found, widens "
            f"them. {_case_mix_model(study)}"
        ),
        (
            "Small counts: every sum between the numbers of this report, over periods, sites and parts, is one system "
            "of equations. Counts from 1 to 10 are hidden, and others beside them, until what is shown leaves each of "
            "them open from 1 to 11. Lines, limits and rules of charts of shares and rates are those of all periods, "
            "hidden ones included, as long as these rules leave three values or more for a hidden count; all else is "
            "computed from what is shown, and from totals that are shown."
            if released.small_counts == "hidden"
            else NOT_FOR_RELEASE
        ),
        *releasing_words(study),
        *(f"Warning: {one}" for one in study.warnings),
    ]
    return Section((Passage(tuple(sentences), "items"),))


def _kept(study: QuarterStudy) -> str:
    """Say whether the baseline is kept."""
    if study.releasing.stored:
        return "stored with an earlier release and not computed again"
    if study.released.small_counts != "hidden":
        return "computed for this report alone"
    if len(study.released.baseline) < FEWEST_POINTS:
        return f"which is not stored until it holds {FEWEST_POINTS} periods"
    return "which is stored with this release and not computed again"


def _case_mix_model(study: QuarterStudy) -> str:
    """Say where what is expected of the sites comes from."""
    if study.case_mix is None:
        return "Nothing was adjusted for case mix."
    if np.isnan(study.case_mix.concordance):
        return (
            "What is expected of the sites was given with their counts; who fitted the model stands beside the table."
        )
    may = ", ".join(one.replace("_", " ") for one in COVARIATES)
    return f"The case-mix model is fitted on all patients up to the quarter; what it may adjust for: {may}."


def _prime_charts(study: QuarterStudy) -> str:
    """Say when limits are widened, and in which charts they are."""
    charts = {one.title: study.charts[one.name].chart for one in study.released.indicators}
    control = {title: chart for title, chart in charts.items() if isinstance(chart, ControlChart)}
    used = [title for title, chart in control.items() if chart.kind in ("p'", "u'")]
    none = f"in none of the {numbers.plural(len(control), 'control chart')}" if control else "no chart here has limits"
    here = numbers.listed(used) if used else none
    return (
        f"Where denominators are large (a median of {LARGE} or more in the baseline) and the points of the baseline vary more "
        f"than {TOO_WIDE:g} times as much as chance makes them, limits are widened by what differs between neighbouring "
        f"periods (p' and u' charts, {LANEY}): {here}."
    )


def cautions(study: QuarterStudy) -> Section:
    """Say what the report must not be used for."""
    hidden = study.released.small_counts == "hidden"
    own = study.origin is not None and not study.invented
    said = [
        *([NO_FINDING] if study.invented else []),
        ABOUT_GROUPS,
        DEFERRED,
        *(
            []
            if hidden
            else [Caution(NOT_FOR_RELEASE, "Small counts are shown: for the team itself, never for release.")]
        ),
        *([_LIMITED] if own else []),
        _NO_LEAGUE,
        _NO_SIGNAL,
        *([Caution(RELEASED, "Small counts are hidden.")] if hidden else []),
        _TWO_RELEASES,
        *(Caution(text, text) for text in doubts_words(study.found)[MOST_DOUBTS:]),
    ]
    return Section((cautions_of(said),))


def provenance(study: QuarterStudy, report: str) -> Section:
    """Say what the report was made from and how to make it again.

    Parameters
    ----------
    study : QuarterStudy
        The quarter.
    report : str
        Name of the report.
    """
    changed = QuarterParameters.changed(study.parameters)
    origin = study.origin if study.origin is not None else _no_cohort()
    return show_provenance(origin, study.folder, report=report, parameters=study.parameters, changed=changed)


def _no_cohort() -> Cohort:
    """Give an empty cohort, since aggregates have none."""
    patients = pd.DataFrame({"patient_id": [], "protocol": []})
    visits = pd.DataFrame({"patient_id": [], "week": [], "measure": [], "limb": [], "value": []})
    return Cohort(patients, visits, privacy="limited")
