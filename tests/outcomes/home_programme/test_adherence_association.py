"""Association of home sessions with recovery: by hand, statsmodels, bad input."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

from analysis.cohort import Cohort
from analysis.cohort.modalities import NMES
from analysis.cohort.session_log import programme_week
from analysis.errors import ModelError
from analysis.outcomes.chosen_endpoint import choose_endpoint
from analysis.outcomes.home_programme.adherence_association import (
    ADJUSTED,
    LAGGED,
    NAIVE,
    REVERSED,
    adherence_association,
)
from analysis.outcomes.home_programme.home_exposure import exposure_between, weekly_exposure

from .cohort_of_sessions import COLUMNS, cohort_of_sessions, score_at_week_8, three_arms, with_stimulation


def test_exposure_of_some_weeks():
    cohort = cohort_of_sessions(
        [
            ("a", 1, "exercise", 5, 5),
            ("a", 2, "exercise", 5, 0),
            ("a", 3, "exercise", 0, 3),
            ("b", 1, "exercise", 5, np.nan),
        ],
        {"a": "usual", "b": "usual"},
    )
    weeks = weekly_exposure(cohort, "share of sessions")
    assert weeks["week"].tolist() == [1, 2]
    ids = pd.Series(["a", "a", "a", "b"])
    assert exposure_between(weeks, ids, [0, 1, 2, 0], [2, 3, 9, 9]).tolist() == pytest.approx(
        [0.5, 0.0, np.nan, np.nan], nan_ok=True
    )


def test_sessions_before_and_after_a_visit_follow_the_weeks_of_the_programme():
    """Days 0 to 6 are week 1: a visit on day 14 has weeks 1 and 2 before it, one on day 13 only week 1, on day 20 still 2."""
    weeks = pd.DataFrame({"patient_id": "a", "week": [1.0, 2.0, 3.0], "amount": [1.0, 2.0, 4.0], "of": 1.0})
    ids = pd.Series(["a"] * 4)
    days = np.array([14.0, 13.0, 20.0, 21.0])
    before = exposure_between(weeks, ids, 0, days / 7)
    after = exposure_between(weeks, ids, days / 7, 99)
    assert before.tolist() == pytest.approx([3 / 2, 1, 3 / 2, 7 / 3])
    assert after.tolist() == pytest.approx([4, 6 / 2, 4, np.nan], nan_ok=True)
    # 29 / 7 times 7 is a little more than 29, 61 / 7 times 7 a little less than 61
    assert programme_week(pd.Series(np.arange(0, 400)).div(7).mul(7)).tolist() == [day // 7 + 1 for day in range(400)]


def test_hours_a_week():
    rows = [dict(zip([*COLUMNS, "minutes_done", "level_knee", "level_thigh"], row, strict=True)) for row in [
        ("a", 1, NMES, 5, 3, 60, 50, 25), ("a", 2, NMES, 5, 0, 0, np.nan, np.nan),
        ("a", 1, "exercise", 5, 3, 90, np.nan, np.nan),
    ]]  # fmt: skip
    cohort = cohort_of_sessions(rows, {"a": "usual"})
    one = pd.Series(["a"])
    amounts = {"minutes": 1.25, "stimulation above the knee": 0.25, "stimulation at the thigh": 0.125}
    for exposure, amount in amounts.items():  # 150 and 0 minutes in two weeks; half and a quarter of 60 in one of two
        assert exposure_between(weekly_exposure(cohort, exposure), one, 0, 9).tolist() == pytest.approx([amount])


def test_naive_and_adjusted_are_the_regressions_of_statsmodels(rng):
    """smf.ols with HC3 errors: improvement ~ exposure + protocol (+ baseline)."""
    found = adherence_association(those := with_stimulation(rng), score_at_week_8(those))
    table = found.table.set_index("method")
    for method, formula in (
        (NAIVE, "improvement ~ exposure + protocol"),
        (ADJUSTED, "improvement ~ exposure + protocol + baseline"),
    ):
        fit = smf.ols(formula, found.patients.astype({"protocol": "str"})).fit(cov_type="HC3", use_t=True)
        assert table.loc[method, "slope"] == pytest.approx(fit.params["exposure"])
        assert table.loc[method, ["lower", "upper"]].tolist() == pytest.approx(fit.conf_int().loc["exposure"].tolist())


def test_lagged_and_reversed_by_hand(rng):
    """The same pairs of visits put together here; smf.ols with errors by patient."""
    cohort = with_stimulation(rng, n=40)
    found = adherence_association(cohort, score_at_week_8(cohort), lag=2).table.set_index("method")
    sessions = cohort.sessions.groupby(["patient_id", "week"], as_index=False)[
        ["sessions_prescribed", "sessions_done"]
    ].sum()
    wide = cohort.visits.pivot_table(index="patient_id", columns="week", values="value")
    rows = []
    for first, then in ((0, 2), (2, 4), (4, 8)):
        for patient in wide.index:
            own = sessions[sessions["patient_id"] == patient].set_index("week")
            shares = []
            for span in ((first - 1, first), (then + 1, then + 2)):
                of_span = own.reindex(span)[["sessions_prescribed", "sessions_done"]].sum()
                shares.append(of_span["sessions_done"] / of_span["sessions_prescribed"] if of_span.iloc[0] else np.nan)
            rows.append(
                (
                    patient,
                    f"{first}",
                    wide.loc[patient, first],
                    wide.loc[patient, then] - wide.loc[patient, first],
                    *shares,
                )
            )
    pairs = pd.DataFrame(rows, columns=["patient_id", "interval", "value", "step", "before", "after"])
    pairs["protocol"] = pairs["patient_id"].map(cohort.patients.set_index("patient_id")["protocol"].astype(str))
    for method, outcome, exposure in ((LAGGED, "step", "before"), (REVERSED, "after", "step")):
        known = pairs.dropna(subset=[outcome, exposure])
        groups = known["patient_id"].astype("category").cat.codes
        fit = smf.ols(f"{outcome} ~ {exposure} + value + interval + protocol", known).fit(
            cov_type="cluster", cov_kwds={"groups": groups}, use_t=True
        )  # t with patients less one degrees of freedom
        limits = fit.conf_int().loc[exposure].tolist()
        assert found.loc[method, ["lower", "upper"]].tolist() == pytest.approx(limits)
        assert found.loc[method, "rows"] == len(known)
        assert found.loc[method, "slope"] == pytest.approx(fit.params[exposure])
        assert found.loc[method, "std_error"] == pytest.approx(fit.bse[exposure])


def test_every_row_says_what_it_can_and_cannot_say(rng):
    table = adherence_association(those := with_stimulation(rng, n=20), score_at_week_8(those)).table
    assert table["can_say"].str.endswith(".").all()
    assert table["cannot_say"].str.endswith(".").all()
    assert table["cannot_say"].str.contains("What more sessions would have done").iloc[0]


def test_no_spread_and_too_few_are_missing():
    entries = [(name, week, "exercise", 5, 5) for name in "abcdefgh" for week in (1, 2)]
    visits = pd.DataFrame(
        [(n, w, 50 + w * i) for i, n in enumerate("abcdefgh") for w in (0, 8)], columns=["patient_id", "week", "value"]
    )
    visits = visits.assign(measure="ikdc", limb="none")
    alike = cohort_of_sessions(entries, dict.fromkeys("abcdefgh", "usual"), visits=visits)
    table = adherence_association(alike, score_at_week_8(alike)).table
    assert table["slope"].isna().all()
    assert table["n"].tolist()[:2] == [8, 8]
    one = cohort_of_sessions(entries[:2], {"a": "usual"}, visits=visits[visits["patient_id"] == "a"])
    assert adherence_association(one, score_at_week_8(one)).table["slope"].isna().all()


def with_one_more(cohort, **columns):
    """Add a patient who is alone in a protocol of their own."""
    rows = cohort.patients["patient_id"] == "P00"
    people = cohort.patients.astype({"protocol": "str"}).assign(**columns)
    alone = people[rows].assign(patient_id="Q", protocol="alone")
    tables = [
        pd.concat([table, table[table["patient_id"] == "P00"].assign(patient_id="Q")], ignore_index=True)
        for table in (cohort.visits, cohort.sessions)
    ]
    return Cohort(pd.concat([people, alone], ignore_index=True), tables[0], sessions=tables[1])


@pytest.mark.filterwarnings("error")
def test_a_site_that_is_one_protocol_takes_no_degree_of_freedom():
    """Site C is protocol 'late': R's lm gives no coefficient for it and 12 - 6 df.

    R 4.2.2: f <- lm(gain ~ I(done / 10) + protocol + start + site), X <- model.matrix(f)[, !is.na(coef(f))], B <-
    solve(crossprod(X)), HC3 error sqrt(diag(B %*% crossprod(X * resid(f) / (1 - hatvalues(f))) %*% B)), t on f$df.residual.
    """
    rows = [
        ("usual", "A", 41, 3, 52), ("usual", "B", 48, 8, 63), ("usual", "A", 52, 6, 64), ("usual", "B", 39, 5, 47),
        ("early", "A", 44, 9, 60), ("early", "B", 50, 4, 58), ("early", "A", 37, 7, 55), ("early", "B", 46, 6, 57),
        ("late", "C", 43, 2, 54), ("late", "C", 55, 10, 73), ("late", "C", 47, 5, 62), ("late", "C", 40, 8, 61),
    ]  # fmt: skip
    names = [f"P{number:02d}" for number in range(len(rows))]
    visits = pd.DataFrame(
        [
            (n, week, value)
            for n, row in zip(names, rows, strict=True)
            for week, value in ((0.0, row[2]), (4.0, row[4]))
        ],
        columns=["patient_id", "week", "value"],
    ).assign(measure="ikdc", limb="none")
    cohort = cohort_of_sessions(
        [(name, 1, "exercise", 10, row[3]) for name, row in zip(names, rows, strict=True)],
        {name: row[0] for name, row in zip(names, rows, strict=True)},
        visits=visits,
    )
    cohort = Cohort(cohort.patients.assign(site=[row[1] for row in rows]), cohort.visits, sessions=cohort.sessions)
    row = adherence_association(
        cohort, choose_endpoint(cohort, "ikdc", week=4, criterion=None), covariates=("baseline", "site")
    ).table.iloc[1]
    assert row["df"] == 6
    assert row[["slope", "std_error", "lower", "upper"]].astype(float).tolist() == pytest.approx(
        [12.7300803504, 3.2420506053, 4.7970683023, 20.6630923985], rel=1e-8
    )


@pytest.mark.parametrize("weeks", [(0,), (4,)])
def test_one_visit_of_each_patient_has_no_slope_and_no_error(rng, weeks):
    table = adherence_association(
        those := with_stimulation(rng, n=20, weeks=weeks), choose_endpoint(those, "ikdc", week=4, criterion=None)
    ).table
    assert table["slope"].isna().all()
    assert table["n"].tolist() == [0, 0, 0, 0]


def test_a_protocol_of_one_patient_is_left_out_and_said(rng):
    """The point of one patient with an intercept of its own is fitted exactly: it has no HC3 error (leverage 1)."""
    cohort = with_stimulation(rng, n=40)
    whole = adherence_association(cohort, score_at_week_8(cohort)).table
    found = adherence_association(those := with_one_more(cohort), score_at_week_8(those))
    numbers = ["n", "rows", "slope", "std_error", "df", "lower", "upper"]
    assert found.table[numbers].to_numpy() == pytest.approx(whole[numbers].to_numpy())
    assert found.table[numbers].notna().all().all()
    assert "Left out, one patient only: protocol alone (naive, adjusted, lagged, reversed)." in found.notes


def test_a_patient_alone_in_a_category_is_left_out_of_the_adjusted_slope(rng):
    cohort = with_stimulation(rng, n=40)
    site = np.where(cohort.patients["patient_id"] == "P03", "far", "near")
    people = Cohort(cohort.patients.assign(site=site), cohort.visits, sessions=cohort.sessions)
    found = adherence_association(people, score_at_week_8(people), covariates=["baseline", "site"])
    adjusted = found.table.set_index("method").loc[ADJUSTED]
    rest = cohort.patients["patient_id"] != "P03"
    without = adherence_association(
        those := Cohort(cohort.patients[rest], cohort.visits, sessions=cohort.sessions),
        score_at_week_8(those),
    )
    same = without.table.set_index("method").loc[ADJUSTED]
    assert adjusted["n"] == 39
    assert adjusted[["slope", "std_error"]].tolist() == pytest.approx(same[["slope", "std_error"]].tolist())
    assert "Left out of the adjusted slope, as the model fits them exactly: 1 patient." in found.notes


def test_a_protocol_without_the_modality_is_no_part_of_its_association(rng):
    """Not 'lacking the sessions': it is not prescribed to them. The slope is that of those who have it."""
    cohort = three_arms(rng)
    found = adherence_association(cohort, score_at_week_8(cohort), modality=NMES)
    assert found.not_prescribed == ("usual", "alike")
    assert "Not prescribed to usual, alike: their patients (45) are no part of this." in found.notes
    assert not any("no improvement or sessions on record" in note for note in found.notes)
    early = found.patients[found.patients["protocol"] == "early"]
    fit = smf.ols("improvement ~ exposure", early).fit(cov_type="HC3", use_t=True)
    assert found.table["slope"].iloc[0] == pytest.approx(fit.params["exposure"])
    assert found.patients.loc[found.patients["protocol"] != "early", "exposure"].isna().all()
    every = adherence_association(cohort, score_at_week_8(cohort))
    assert every.not_prescribed == ()


def test_bad_choices_are_explained(rng):
    cohort = with_stimulation(rng, n=10)
    with pytest.raises(ModelError, match="There is no exposure 'steps'"):
        adherence_association(cohort, score_at_week_8(cohort), exposure="steps")
    with pytest.raises(ModelError, match="There is no covariate 'mood'"):
        adherence_association(cohort, score_at_week_8(cohort), covariates=["mood"])
    with pytest.raises(ModelError, match="A lag of 0 weeks holds no week"):
        adherence_association(cohort, score_at_week_8(cohort), lag=0)
    without = Cohort(cohort.patients, cohort.visits)
    with pytest.raises(ModelError, match="Home sessions were not recorded"):
        adherence_association(without, score_at_week_8(without))
