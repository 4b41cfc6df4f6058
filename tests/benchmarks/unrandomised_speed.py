"""How long a comparison of protocols that nobody drew lots for takes, beside what a user would write instead; prints a table.

``python tests/benchmarks/unrandomised_speed.py [--patients 400] [--times 3] [--draws 200]``. Three protocols, a baseline and four later
weeks, a fifth of the visits missing. Here: ``observational_comparison``, with two mixed models, jackknife errors and balance. Instead:
scores by statsmodels' MNLogit, an outcome model by its OLS at each week among those seen, weighted together, with so many bootstrap
samples of the patients; missed visits are left out there, and nothing is checked. Medians of wall time, and their ratio.
"""

import argparse
import statistics
import time
import warnings

import numpy as np
import pandas as pd
import statsmodels.api as sm

from analysis.cohort import visit_frame
from analysis.outcomes import observational_comparison
from synthetic_cohort import generate_cohort

MEASURE, COVARIATES = "quadriceps_torque", ["age_years", "sex", "site"]


def timed(action):
    start = time.perf_counter()
    action()
    return time.perf_counter() - start


def by_statsmodels(patients, values):
    """Give the weighted differences from the first protocol at each week; ``values`` has a column a week, missing where not seen."""
    X = sm.add_constant(patients.drop(columns="code").to_numpy(dtype=float))
    code, groups = patients["code"].to_numpy(), patients["code"].nunique()
    chances = sm.MNLogit(code, X).fit(disp=0).predict(X)
    h = 1 / (1 / chances).sum(axis=1)
    found = []
    for week in values.T:
        seen = ~np.isnan(week)
        theta = []
        for k in range(groups):
            mine = seen & (code == k)
            m = sm.OLS(week[mine], X[mine]).fit().predict(X)
            theta.append(np.average(m, weights=h) + np.average((week - m)[mine], weights=(h / chances[:, k])[mine]))
        found.append(np.subtract(theta[1:], theta[0]))
    return np.array(found)


def bootstrapped(patients, values, draws, seed=1):
    """Give the standard errors from samples of the patients."""
    rng = np.random.default_rng(seed)
    found = []
    for _ in range(draws):
        chosen = rng.integers(0, len(patients), len(patients))
        found.append(by_statsmodels(patients.iloc[chosen], values[chosen]))
    return np.std(found, axis=0, ddof=1)


def main():
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--patients", type=int, default=400)
    asked.add_argument("--times", type=int, default=3)
    asked.add_argument("--draws", type=int, default=200)
    asked = asked.parse_args()
    warnings.simplefilter("ignore")
    cohort = generate_cohort("ligament reconstruction", patients=asked.patients, seed=3).observed
    frame = visit_frame(cohort, MEASURE)
    start = frame.drop_duplicates("patient_id").set_index("patient_id")["baseline"].dropna()
    people = cohort.patients.set_index("patient_id").loc[start.index]
    patients = pd.get_dummies(people[["age_years", "sex", "site"]], drop_first=True, dtype=float)
    patients = patients.assign(baseline=start, code=people["protocol"].cat.codes)
    later = frame[frame["week"] > 0].pivot_table(index="patient_id", columns="week", values="value")
    values = later.reindex(patients.index).to_numpy()

    def ours():
        return observational_comparison(cohort, MEASURE, COVARIATES)

    ours()
    here = statistics.median(timed(ours) for _ in range(asked.times))
    there = timed(lambda: bootstrapped(patients, values, asked.draws))
    table = pd.DataFrame(
        {
            "patients": [asked.patients],
            "weeks": [values.shape[1]],
            "comparison, s": [here],
            f"statsmodels, {asked.draws} bootstrap samples, s": [there],
            "ratio": [there / here],
        }
    )
    print(table.round(2).to_string(index=False))


if __name__ == "__main__":
    main()
