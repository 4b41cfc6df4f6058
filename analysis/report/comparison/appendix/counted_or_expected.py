"""Why the responders counted and those expected can tell two stories, said where they do."""

import numpy as np
import pandas as pd

from analysis.counted import none_or
from analysis.outcomes import Responders
from analysis.outcomes.true_response.probability_of_response import ProbabilityOfResponse
from analysis.report.comparison.findings.rules import side
from analysis.report.parts import numbers
from analysis.report.parts.numbers import capitalised
from analysis.report.parts.passages import Passage

#: Differences so far apart are explained (design choice), and those that would be shown with opposite signs.
APART = 0.05
_GENERAL = (
    "As counted, a patient is a responder whose measured change or value reaches the threshold; in the expected share each patient "
    "counts with the probability that the true change does. The two can differ where many changes lie near the threshold, "
    "since the error of one measurement carries patients over it both ways, where values were missed, and most in small "
    "groups."
)


def counted_or_expected(found: ProbabilityOfResponse, beside: Responders) -> Passage | None:
    """Explain differences of responder shares that are far apart, or of opposite sign, in the two ways of judging.

    ``beside`` are the responders as counted, with the same threshold and reference. None where no difference is at least 5
    points apart and none has opposite signs as shown.
    """
    counted = {str(row["protocol"]): row for _, row in beside.differences.iterrows()}
    said = [
        _explained(row, same, found.patients, beside)
        for _, row in found.differences.iterrows()
        if (same := counted.get(str(row["protocol"]))) is not None and _worth_a_word(same, row)
    ]
    return Passage((*said, _GENERAL)) if said else None


def _worth_a_word(counted: pd.Series, expected: pd.Series) -> bool:
    first, second = float(counted["difference"]), float(expected["difference"])
    if np.isnan(first) or np.isnan(second):
        return False
    return _opposite(first, second) or abs(second - first) >= APART - 1e-9


def _opposite(first: float, second: float) -> bool:
    return round(100 * first) * round(100 * second) < 0


def _explained(expected: pd.Series, counted: pd.Series, patients: pd.DataFrame, beside: Responders) -> str:
    first, second = float(counted["difference"]), float(expected["difference"])
    apart = numbers.points(second - first)
    how = (
        "they point in opposite directions"
        if _opposite(first, second)
        else f"they lie about {apart.lstrip('+−')} points apart"
    )
    level = numbers.level_in_words(float(expected["level"]))
    head = (
        f"{capitalised(str(expected['protocol']))} against {beside.reference}: {numbers.points(first)} points as counted ({level} interval "
        f"{numbers.points_interval(counted['lower'], counted['upper'])}), {numbers.points(second)} points expected "
        f"({numbers.points_interval(expected['lower'], expected['upper'])}); {how}."
    )
    return " ".join([head, *_parts(expected, first, patients, beside), _intervals(counted, expected)])


def _parts(expected: pd.Series, counted: float, patients: pd.DataFrame, beside: Responders) -> list[str]:
    """Split the way from the counted to the expected difference into its steps, which add up."""
    both = patients[patients["protocol"].astype("str").isin([str(expected["protocol"]), beside.reference])]
    seen = both[both["raw"].notna()]

    def difference(rows: pd.DataFrame, column: str) -> float:
        mean = rows[column].astype("float64").groupby(rows["protocol"].astype("str")).mean()
        return float(mean.get(str(expected["protocol"]), np.nan) - mean.get(beside.reference, np.nan))

    measured, judged = difference(seen, "raw"), difference(seen, "probability")
    if np.isnan(measured) or np.isnan(judged):
        return []
    counted_ones = f"the {numbers.plural(len(seen), 'patient')} with a yes or no"
    what = "value" if beside.endpoint.criterion == "state" else "change"
    who = f"{counted_ones}, with {expected['protocol']} or {beside.reference},"
    steps = {f"judging the true in place of the measured {what} of {counted_ones}": judged - measured}
    without = len(both) - len(seen)
    if without:
        steps[f"the {numbers.plural(without, 'patient')} without one"] = float(expected["difference"]) - judged
    if beside.endpoint.missing == "non-response" and without:
        steps["no longer counting these as non-responders"] = measured - counted
    listed = numbers.listed([f"{numbers.points(step)} by {what}" for what, step in steps.items()])
    unsure = int(seen["probability"].between(0.1, 0.9).sum())
    return [
        f"On the way from the one to the other the difference moves by about so many points: {listed}.",
        f"Of {who} {none_or(unsure, 'has')} a probability between 10 and 90 %.",
    ]


def _intervals(counted: pd.Series, expected: pd.Series) -> str:
    sides = [side(one["lower"], one["upper"]) for one in (counted, expected)]
    if sides == [0, 0]:
        return "Both intervals hold zero, so neither direction is established."
    if 0 not in sides:
        way = "on the same side" if sides[0] == sides[1] else "on opposite sides, so conclude from neither alone"
        return f"Both intervals leave out zero, {way}."
    only = "as counted" if sides[0] else "of the expected shares"
    return f"Only the interval {only} leaves out zero: the finding hangs on how responders are judged."
