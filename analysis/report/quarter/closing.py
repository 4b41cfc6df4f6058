"""What stands at the end of a quarter's report: methods, cautions, provenance."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.cohort import Cohort
from analysis.quarter.over_time.control_charts import FEWEST_POINTS, TOO_WIDE, ControlChart
from analysis.quarter.over_time.prime_charts import LANEY, LARGE
from analysis.quarter.over_time.run_chart import RULE_SET as RUN_RULE_SET
from analysis.quarter.over_time.run_chart import RULES as RUN_RULES
from analysis.quarter.over_time.special_causes import RULE_SET, RULES
from analysis.quarter.periods import quarter_in_words
from analysis.report.parts import numbers
from analysis.report.parts.numbers import in_text
from analysis.report.parts.passages import Passage, Section, absent
from analysis.report.parts.wording import ABOUT_GROUPS, DEFERRED, MOST_DOUBTS, NO_FINDING, Caution, cautions_of
from analysis.report.quarter.findings.doubts import doubts_words
from analysis.report.quarter.opening import NOT_FOR_RELEASE, RELEASED
from analysis.report.quarter.recording import releasing_words
from analysis.report.quarter.study import QuarterParameters
from analysis.report.running.provenance import show_provenance

if TYPE_CHECKING:
    from analysis.report.quarter.study import QuarterStudy

_LIMITED = Caution(
    "Made from a limited data set: check the data use agreement before the report leaves the organisation.",
    "Made from a limited data set: check the agreement before it leaves.",
)
_NO_LEAGUE = Caution(
    "A quarter is no league: sites stand by name, and a signal or a place beyond a limit is a reason to ask, not a verdict. Data "
    "quality, case mix and chance come before care as explanations.",
    "A site with a signal is a reason to ask, not a verdict.",
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


def methods(study: QuarterStudy) -> Section:
    """Say in words how the numbers came about: nothing but what was done for this report."""
    sentences = [
        *study.notes,
        *_charts(study),
        *_sites(study),
        *_case_mix(study),
        (
            "Small counts: every sum between the numbers of this report, over periods, sites and parts, is one system "
            "of equations. Counts from 1 to 10 are hidden, and others beside them, until what is shown leaves each of "
            "them open from 1 to 11. Lines, limits and rules of charts of shares and rates are those of all periods, "
            "hidden ones included, as long as these rules leave three values or more for a hidden count; all else is "
            "computed from what is shown, and from totals that are shown."
            if study.released.small_counts == "hidden"
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


def _charts(study: QuarterStudy) -> list[str]:
    """Say which charts were drawn, about which baseline, and by which rules they were judged."""
    drawn = {one.title: study.charts[one.name].chart for one in study.indicators()}
    kinds: dict[str, list[str]] = {}
    for title, chart in drawn.items():
        kind = "none" if chart is None else f"{chart.kind} chart" if isinstance(chart, ControlChart) else "run chart"
        kinds.setdefault(kind, []).append(in_text(title))
    without = kinds.pop("none", [])
    if not kinds:
        return ["No chart was drawn, as too few points can be shown."] if without else []
    first, last = (quarter_in_words(study.released.baseline[i]) for i in (0, -1))
    control = [chart for chart in drawn.values() if isinstance(chart, ControlChart)]
    lines = "Centre lines and limits" if control else "Medians"
    listed = "; ".join(f"{kind} of {numbers.listed(titles)}" for kind, titles in kinds.items())
    said = [
        (
            f"{lines} come from a baseline, {first} to {last}, {_kept(study)}. After a change that has lasted, set a new "
            "baseline (parameter baseline) and say so."
        ),
        f"Charts drawn: {listed}{f'; none of {numbers.listed(without)}' if without else ''}.",
    ]
    if control:
        said += _prime_charts(control, kinds)
        said.append(f"Control charts follow one rule set, the {RULE_SET}: {'; '.join(RULES.values())}.")
    if "run chart" in kinds:
        said.append(
            f"Fewer than {FEWEST_POINTS} points to show, or a shorter baseline, make a run chart about the median. Run charts "
            f"follow the {RUN_RULE_SET}: {'; '.join(RUN_RULES.values())}."
        )
    return said


def _prime_charts(control: list[ControlChart], kinds: dict[str, list[str]]) -> list[str]:
    """Say when limits of charts of shares and rates are widened, and in which charts they are."""
    counted = [chart for chart in control if chart.kind != "XmR"]
    if not counted:
        return []
    used = [title for kind in ("p' chart", "u' chart") for title in kinds.get(kind, [])]
    here = (
        numbers.listed(used) if used else f"in none of the {numbers.plural(len(counted), 'chart')} of shares and rates"
    )
    return [
        (
            f"Where denominators are large (a median of {LARGE} or more in the baseline) and the points of the baseline vary "
            f"more than {TOO_WIDE:g} times as much as chance makes them, limits are widened by what differs between "
            f"neighbouring periods (p' and u' charts, {LANEY}): {here}."
        )
    ]


def _sites(study: QuarterStudy) -> list[str]:
    """Say how sites were compared, and whether their limits were widened; or that they were not."""
    funnel, compared = study.funnel, study.compared
    if funnel is None or compared is None:
        return [f"No funnel of sites was drawn. {absent(study.no_funnel)}"]
    tested = "over-dispersion could not be judged"
    if not np.isnan(funnel.dispersion):
        what = (
            "they were widened, as sites differ by more than chance"
            if funnel.over_dispersed
            else "they were not widened"
        )
        tested = f"over-dispersion was tested by the mean square of the standardised values, 10 % at each end pulled in, and {what}"
    return [f"Sites are compared over {study.span}, by {in_text(compared.title)}. Limits are exact; {tested}."]


def _case_mix(study: QuarterStudy) -> list[str]:
    """Say what was adjusted for and by which model; or that nothing was."""
    found = study.case_mix
    if found is None:
        return [f"No case-mix model was fitted. {absent(study.no_case_mix)}"]
    if found.covariates:
        named = numbers.listed([one.replace("_", " ") for one in found.covariates])
        return [f"The case-mix model was fitted on all patients up to the quarter. It adjusts for {named}."]
    if found.is_adjusted:
        return [
            "Sites are held against expected counts that came with their counts; no case-mix model was fitted here."
        ]
    return [
        "No case-mix model was fitted, as nothing of the case mix is on record; shares are shrunk and not adjusted."
    ]


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
