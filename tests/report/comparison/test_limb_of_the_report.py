"""The limb, the rule for missing visits and the weeks of a report hold in every table of it, the appendix included."""

from dataclasses import replace

import pandas as pd
import pytest

from analysis.report import comparison
from analysis.report.parts.figures import Figure
from analysis.report.parts.tables import Table
from synthetic_cohort import generate_cohort

SECTIONS = (
    "measurements", "recovery", "differences", "responder_analysis", "missing", "sensitivity", "other_counts",
    "probability", "dose_and_recovery", "model_checks",
)  # fmt: skip
OTHER = {"involved": "uninvolved", "uninvolved": "involved"}


def with_limbs_exchanged(cohort):
    limb = cohort.visits["limb"].astype("str")
    return replace(cohort, visits=cohort.visits.assign(limb=limb.replace(OTHER)))


@pytest.fixture(scope="module")
def studies(study_in_memory):
    """The uninvolved limb of a cohort, and the involved limb of the same cohort with the limbs exchanged."""
    cohort = generate_cohort(patients=120, seed=7).observed
    torque = (cohort.visits["measure"] == "quadriceps_torque") & cohort.visits["week"].isin([0, 12, 26, 39])
    cohort = replace(cohort, visits=cohort.visits[torque])
    options = {
        "threshold": 0.25,
        "criterion": "improvement",
        "missing": "non-response",
        "imputations": 3,
        "primary_week": 39,
    }
    return tuple(
        study_in_memory(one, limb=limb, reference="home stimulation", **options)
        for one, limb in ((cohort, "uninvolved"), (with_limbs_exchanged(cohort), "involved"))
    )


def shown(section):
    return [item.data for item in section if isinstance(item, Table | Figure)]


@pytest.mark.parametrize("name", SECTIONS)
def test_a_report_on_the_other_limb_shows_that_limb_everywhere(studies, name):
    """Exchange the limbs of the cohort, and the report on the uninvolved limb is that on the involved one: the same
    numbers, table by table."""
    uninvolved, involved = (shown(getattr(comparison, name)(study)) for study in studies)
    assert len(uninvolved) == len(involved) > 0
    for left, right in zip(uninvolved, involved, strict=True):
        pd.testing.assert_frame_equal(left, right)


def test_the_counts_of_the_appendix_are_those_of_the_report(studies):
    study = studies[0]
    main, tables = study.responders[-1], {item.name: item.data for item in list(comparison.other_counts(study))[1:]}
    counts = main.table.set_index("protocol")
    answered = main.patients.dropna(subset=["improvement"])
    reached = answered.groupby("protocol", observed=True)["responder"].agg(["sum", "size"])
    better = tables["directions"].query("direction == 'better'").set_index("protocol")
    assert better["patients"].tolist() == reached["sum"].tolist() == counts["responders"].tolist()
    assert better["n"].tolist() == reached["size"].tolist()
    kept = tables["kept"].set_index("protocol")
    assert kept["n"].tolist() == counts["n"].tolist() == counts["allocated"].tolist()
    assert (kept["responders"] <= counts["responders"]).all()
    first = tables["first-reached"].groupby("protocol", observed=True)["reached"].sum()
    assert (first[counts.index] >= counts["responders"]).all()
    used = tables["other-thresholds"].query("chosen").set_index("protocol")["difference"]
    as_reported = tables["ways-of-counting"].groupby("protocol", observed=True)["difference"].first()
    assert used.to_dict() == as_reported.to_dict() == main.differences.set_index("protocol")["difference"].to_dict()
