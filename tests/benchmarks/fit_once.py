"""Fit the model of the benchmark once or a few times in one program: run by fit_speed.py in a process of its own.

    python tests/benchmarks/fit_once.py PROGRAM FILE.parquet

Prints "seconds criterion" for each repetition; reading the file and importing are not counted.
"""

from __future__ import annotations

import math
import sys
import time
import warnings
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parent))
from visits_to_time import WEEKS, fixed_matrix, with_splines

FORMULA = "value ~ protocol * natural_spline(week, df=4) + baseline + age_years"
VISITS_FORMULA = "value ~ protocol * C(week) + baseline + age_years"
SPLINE_SUM = "(spline_1 + spline_2 + spline_3 + spline_4)"
REPETITIONS, ENOUGH_SECONDS = 7, 5.0


def this_engine(visits: pd.DataFrame, inference: str = "kenward-roger") -> Callable[[], float]:
    """Fit from the data frame and formula, and give the protocol differences week by week."""
    from analysis.curves.mixed_model import fit_mixed

    def run() -> float:
        fit = fit_mixed(visits, FORMULA, patient_effects="1 + week", inference=inference)  # type: ignore[arg-type]
        fit.differences(of="protocol")
        return fit.criterion

    return run


def unstructured(visits: pd.DataFrame, formula: str) -> Callable[[], float]:
    """Fit an unstructured covariance of the ten weeks, with Kenward-Roger differences."""
    from analysis.curves.mixed_model import fit_mixed

    def run() -> float:
        fit = fit_mixed(visits, formula, patient_effects=None, residual="unstructured", inference="kenward-roger")
        fit.differences(of="protocol")
        return fit.criterion

    return run


def by_matrix(visits: pd.DataFrame, library: str) -> Callable[[], float]:
    """Fit with statsmodels, or with mixedlm-rs, which has the same interface; the matrix is ready made."""
    if library == "statsmodels":
        from statsmodels.regression.mixed_linear_model import MixedLM
    else:
        from mixedlm_rs import MixedLM
    visits = with_splines(visits)
    X = fixed_matrix(visits)
    Z = visits[["week"]].assign(one=1.0)[["one", "week"]].to_numpy()
    y, groups = visits["value"].to_numpy(), visits["patient_id"].to_numpy()
    return lambda: -2.0 * float(MixedLM(y, X, groups=groups, exog_re=Z).fit(reml=True).llf)


def by_glmm(visits: pd.DataFrame) -> Callable[[], float]:
    """Fit with glmm, from a data frame that has the splines, with its Satterthwaite degrees of freedom.

    It wants the week itself among the fixed columns. The first spline is the week over its span, so the model is the
    same; the restricted likelihood depends on the coding of the three columns, which is taken out of the criterion.
    """
    import glmm

    visits = with_splines(visits)
    formula = (
        f"value ~ protocol * {SPLINE_SUM.replace('spline_1', 'week')} + baseline + age_years + (1 + week | patient_id)"
    )
    coding = 2.0 * 3.0 * math.log(float(np.ptp(WEEKS)))
    return lambda: -2.0 * float(glmm.fit(visits, formula).loglik) - coding


PROGRAMS: dict[str, Callable[[pd.DataFrame], Callable[[], float]]] = {
    "kneecurve": this_engine,
    "kneecurve, Satterthwaite": partial(this_engine, inference="satterthwaite"),
    "kneecurve, unstructured, 17 columns": partial(unstructured, formula=FORMULA),
    "kneecurve, unstructured, weeks as categories": partial(unstructured, formula=VISITS_FORMULA),
    "statsmodels": partial(by_matrix, library="statsmodels"),
    "mixedlm-rs": partial(by_matrix, library="mixedlm-rs"),
    "glmm": by_glmm,
}


def main(program: str, file: str) -> None:
    """Read, prepare, then time the fit until it has taken long enough."""
    warnings.simplefilter("ignore")
    run = PROGRAMS[program](pd.read_parquet(file))
    spent = 0.0
    for _ in range(REPETITIONS):
        started = time.perf_counter()
        criterion = run()
        seconds = time.perf_counter() - started
        print(seconds, float(criterion), flush=True)
        spent += seconds
        if spent > ENOUGH_SECONDS:
            break


if __name__ == "__main__":
    main(*sys.argv[1:])
