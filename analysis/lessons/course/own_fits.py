"""What a learner finds who calls the kit: the answers of the exercises in which the lesson does not compute anything."""

import numpy as np

from analysis.cohort import Cohort, visit_frame
from analysis.curves import fit_recovery
from analysis.lessons.exercise_words import Answers, Numbers
from analysis.outcomes import choose_endpoint, responders

#: What is asked for: measure and week of the fit, and of the responders.
FIT_MEASURE, FIT_WEEK = "knee_flexion", 12
RESPONSE_WEEK = 26


def fit_answers(cohort: Cohort) -> Answers:
    """Answer what is asked of a fit that the learner made: a mean by protocol and week, and the residuals.

    Parameters
    ----------
    cohort : Cohort
        The cohort of the folder that the learner loads.
    """
    curves = fit_recovery(cohort, FIT_MEASURE)
    means = curves.means()
    first, second = (means[means["protocol"] == name].set_index("week")["estimate"] for name in cohort.protocols[:2])
    frame = visit_frame(cohort, FIT_MEASURE)
    seen = frame[(frame["protocol"] == cohort.protocols[0]) & (frame["week"] == FIT_WEEK)]["value"]
    residuals = curves.model.residuals()["decorrelated"].to_numpy(dtype=float)
    outside = 100 * float((np.abs(residuals) > 1.96).mean())
    words = {"protocol": cohort.protocols[0], "week": FIT_WEEK, "seen": float(seen.mean())}
    return {
        "own_fit": Numbers(
            float(first[FIT_WEEK]),
            0.06,
            (0, 180),
            (float(second[FIT_WEEK]), float(first[26]), float(seen.mean())),
            words,
        ),
        "outside": Numbers(
            outside, 0.06, (0, 100), (100 - outside, outside * len(residuals) / 100, 32.0), {"visits": len(residuals)}
        ),
    }


def response_answers(cohort: Cohort) -> Answers:
    """Answer what is asked of responders that the learner counted.

    Parameters
    ----------
    cohort : Cohort
        The cohort of the folder that the learner loads.
    """
    table = responders(cohort, choose_endpoint(cohort, FIT_MEASURE, week=RESPONSE_WEEK)).table.set_index("protocol")
    first, second = cohort.protocols[:2]
    columns = ["share", "lower", "upper", "responders", "n", "allocated"]
    share, lower, upper, reached, n, allocated = map(float, table.loc[second, columns].to_numpy(dtype=float))
    words = {"protocol": second, "week": RESPONSE_WEEK, "n": int(n), "allocated": int(allocated),
             "lower": 100 * lower, "upper": 100 * upper}  # fmt: skip
    return {
        "own_share": Numbers(
            100 * share,
            0.15,
            (0, 100),
            (100 * reached / allocated, 100 * float(table["share"].loc[first]), reached),
            words,
        )
    }
