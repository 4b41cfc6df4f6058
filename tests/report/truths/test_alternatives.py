"""Alternative texts of figures that speak from their own tables: their numbers are of the table, and nobody and none are words."""

import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from analysis.cohort import visit_frame
from analysis.curves import fit_mixed
from analysis.outcomes import adherence_by_week, responders
from analysis.outcomes.home_programme.home_dose import home_dose
from analysis.outcomes.home_programme.time_to_stopping import time_to_stopping
from analysis.report import Figure, quarter
from analysis.report.figures.adherence_figures import dose_figure, stopping_figure
from analysis.report.figures.model_figures import residual_figure
from analysis.report.figures.programme_figures import adherence_figure
from analysis.report.figures.responder_figures import change_figure, responder_figure
from analysis.report.figures.seen_figure import seen_figure
from synthetic_cohort import generate_cohort

from .others.test_quarter_truths import TRUTHS as QUARTERS
from .others.test_quarter_truths import plant as plant_quarters
from .others.test_quarter_truths import prepared
from .planted import better, plant

TORQUE = "quadriceps_torque"


def without(cohort, *, protocol, after=-1.0):
    """Take away the visits of a protocol after a week: nobody of it was seen then."""
    people = cohort.patients.set_index("patient_id")["protocol"].astype("str")
    gone = (cohort.visits["patient_id"].map(people) == protocol) & (cohort.visits["week"] > after)
    return replace(cohort, visits=cohort.visits[~gone])


def with_sessions(cohort, prescribed, done, weeks=8):
    """Give every patient exercise at home: sessions a week {protocol: prescribed} and {protocol: done}, 20 minutes each."""
    rows = [
        (one, float(week), "exercise", prescribed.get(name, 5), done.get(name, 4), 20.0 * done.get(name, 4))
        for one, name in zip(cohort.patients["patient_id"], cohort.patients["protocol"].astype("str"), strict=True)
        for week in range(1, weeks + 1)
    ]
    columns = ["patient_id", "week", "modality", "sessions_prescribed", "sessions_done", "minutes_done"]
    return replace(cohort, sessions=pd.DataFrame(rows, columns=columns))


THREE = ("usual", "early", "late")
#: Cohorts, and the words that alternative texts of the figures must say of them.
COHORTS = {
    "as most are": (lambda: with_sessions(plant(effect=better(0.3)), {}, {}), {}),
    "nobody of one protocol after six weeks, nobody of another ever": (
        lambda: with_sessions(
            without(without(plant(patients=12, protocols=THREE), protocol="early", after=6), protocol="late"), {}, {}
        ),
        {
            "seen": ["(12 patients), nobody seen later; late: nobody seen."],
            "responders": ["early: nobody judged; late: nobody judged."], "change": ["early: nobody judged; late: nobody judged."],
        },
    ),
    "none prescribed to one protocol": (
        lambda: with_sessions(plant(patients=12), {"usual": 0}, {"usual": 0}),
        {"adherence": ["usual, exercise: not prescribed;"], "stopping": ["Usual: no week with sessions prescribed and recorded;"]},
    ),
    "one patient": (
        lambda: with_sessions(plant(patients=1, protocols=("usual",)), {}, {}),
        {
            "seen": ["(1 patient) to"], "adherence": ["in 1 patient."], "responders": ["0 % (0/1, "], "change": ["0 % of 1,"],
            "stopping": ["Usual: of 1 patient 0 never started, 0 stopped later, 1 was still going when last recorded."],
        },
    ),
    "one visit": (lambda: plant(patients=12, weeks=(0,)), {"seen": ["usual 1.56 at week 0 (12 patients); early 1.56 at week 0 (12"]}),
    "the invented one": (lambda: generate_cohort(patients=60, seed=3).observed, {}),
}  # fmt: skip


def figures_of(cohort):
    """Give the figures, each with the numbers that its alternative text may hold beside those of its table."""
    found = {"seen": (seen_figure(visit_frame(cohort, TORQUE), cohort.measures[TORQUE]), [])}
    if cohort.visits["week"].max() > 0:
        counted = responders(cohort, TORQUE, week=26)
        at = [26, 95, counted.endpoint.to_reach.value]
        medians = counted.patients.groupby("protocol", observed=True)["improvement"].median()
        shares = [*(100 * counted.table["share"]), *counted.table["n"], *medians]
        found |= {"responders": (responder_figure(counted), at), "change": (change_figure(counted), [*at, *shares])}
        if len(cohort.patients) > 1:
            rows = visit_frame(cohort, TORQUE)
            fit = fit_mixed(rows, "value ~ C(week)", patient="patient_id", week="week", patient_effects="1")
            model = residual_figure(fit)
            spans = model.data
            expected = [1.96, 5, spans["n"].sum(), 100 * spans["beyond"].sum() / spans["n"].sum()]
            found["residuals"] = (model, [*expected, spans["mean"].min(), spans["mean"].max()])
    if cohort.sessions is not None:
        adherence, stopped, dose = adherence_by_week(cohort), time_to_stopping(cohort), home_dose(cohort)
        whole = adherence.overall
        found["adherence"] = (
            adherence_figure(adherence), [*(100 * whole["share_of_sessions"]), *whole["sessions_prescribed"], *whole["n"]],
        )  # fmt: skip
        counts = stopped.summary[["n", "never_started", "stopped_later", "going_on"]].to_numpy().ravel()
        found["stopping"] = (stopping_figure(stopped), counts)
        if not dose.table.empty:
            patients = dose.patients["patient_id"].nunique()
            found["dose"] = (dose_figure(dose), [patients, *dose.overall["mean"]])
    return found


def numbers_in(text):
    """Give the numbers of a text with how many decimals each has; minus signs are kept, thousands are joined."""
    plain = re.sub(r"(?<=\d),(?=\d{3})", "", text.replace("\u2212", "-"))
    return [(float(one), len(one.partition(".")[2])) for one in re.findall(r"(?<![\w.])[+-]?\d+(?:\.\d+)?", plain)]


def not_of_the_table(figure, beside):
    """Give the numbers of the alternative text that are neither in the table of the figure, rounded, nor among ``beside``."""
    table = figure.data.select_dtypes("number").to_numpy(dtype=float, na_value=np.nan).ravel()
    cells = [number for row in figure.table.rows() for cell in row for number, _ in numbers_in(cell)]
    known = np.array([*table, *(100 * table), *cells, *map(float, beside)])
    known = known[np.isfinite(known)]
    return [
        number
        for number, decimals in numbers_in(figure.alt)
        if not (np.abs(known - number) <= 0.5 * 10.0**-decimals + 1e-9).any()
    ]


#: What no alternative text of these says: the findings judge, a table does not.
JUDGED = re.compile(
    r"\b(better|worse|higher|lower|more|fewer|favou?rs?|improves?|effects?|benefits?|because|significant\w*)\b"
)


@pytest.mark.parametrize("name", COHORTS)
def test_numbers_of_an_alternative_text_are_of_the_table_and_nobody_is_a_word(name):
    make, said = COHORTS[name]
    found = figures_of(make())
    assert set(said) <= set(found)
    for figure_name, (figure, beside) in found.items():
        assert len(numbers_in(figure.alt)) >= 2, figure.alt
        assert not_of_the_table(figure, beside) == [], figure.alt
        assert not JUDGED.search(figure.alt), figure.alt
        assert not re.search(r"\bnan\b|–|\b0/0\b|None", figure.alt), figure.alt
        assert re.search(r"(?:^|[.] )[a-z](?! chart)", figure.alt) is None, figure.alt
        for words in said.get(figure_name, []):
            assert words in figure.alt


@pytest.mark.parametrize("name", ["nothing there", "a true decline", "not yet due", "a run chart", "all hidden"])
def test_numbers_of_a_control_chart_are_of_its_table_and_the_verdict_is_that_of_the_findings(name, tmp_path):
    cohort, options, *_ = QUARTERS[name]
    study = prepared(plant_quarters(**cohort), tmp_path, **options)
    charts = {
        one.name: one
        for part in (quarter.outcomes(study), quarter.balancing(study))
        for one in part
        if isinstance(one, Figure)
    }
    assert (not charts) == (name == "all hidden")
    for followed in study.found.followed:
        figure = charts.get(f"chart-{followed.indicator.name}")
        if figure is None:
            continue
        shown = [number for row in figure.table.rows() for cell in row for number, _ in numbers_in(cell)]
        periods = [number for text in [*figure.data["period_text"], figure.caption] for number, _ in numbers_in(text)]
        points = [figure.data["value"].notna().sum(), 100]
        assert not_of_the_table(figure, [*shown, *periods, *points]) == [], figure.alt
        direction = followed.change.direction
        assert [word for word in ("better", "worse") if f"({word})" in figure.alt] == ([direction] if direction else [])
        assert ("No point in Q4 2023: the patients are not yet due." in figure.alt) == (
            followed.change.verdict == "not yet due"
        )


def test_a_number_that_is_not_of_the_table_is_found():
    figure, beside = figures_of(COHORTS["as most are"][0]())["seen"]
    assert not_of_the_table(replace(figure, alt=f"{figure.alt} Then 17.31 of 4,321."), beside) == [17.31, 4321.0]
