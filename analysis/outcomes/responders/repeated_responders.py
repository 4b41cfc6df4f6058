"""Responders at repeated visits, several weeks together, by generalised estimating equations."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import expit, ndtri

from analysis.cohort.follow_up.expected_visits import expected_weeks, seen_weeks
from analysis.cohort.schedule import moment
from analysis.cohort.tables import Cohort
from analysis.errors import ModelError
from analysis.outcomes.endpoint import Endpoint
from analysis.outcomes.responders.visit_history import responder_history
from analysis.result import ResultWithNotes
from analysis.statistics.combined_limits import COMBINED, model_difference
from analysis.statistics.estimating_equations import Correlation, Errors, fit_gee


@dataclass(frozen=True, eq=False, repr=False)
class RepeatedResponders(ResultWithNotes):
    """Responders at repeated visits, by a marginal logistic model.

    Attributes
    ----------
    endpoint : Endpoint
        What must be reached.
    correlation : {"exchangeable", "independence"}
        Working correlation of a patient's visits.
    table : pandas.DataFrame
        protocol, week, n, responders, share (of the model), lower, upper, level, method.
    differences : pandas.DataFrame
        protocol, reference, week, difference, std_error, lower, upper, odds_ratio, odds_ratio_lower, odds_ratio_upper,
        level, method; the week "mean" is the mean over the weeks.
    association : float
        Estimated working correlation.
    """

    endpoint: Endpoint
    correlation: Correlation
    table: pd.DataFrame
    differences: pd.DataFrame
    association: float

    def _headline(self) -> str:
        return "Responders at repeated visits"


def repeated_responders(
    cohort: Cohort,
    endpoint: Endpoint,
    *,
    weeks: Sequence[float] | None = None,
    correlation: Correlation = "exchangeable",
) -> RepeatedResponders:
    """Model responders at several weeks together by generalised estimating equations.

    Parameters
    ----------
    cohort : Cohort
    endpoint : Endpoint
        What must be reached at each week; its own week plays no part.
    weeks : sequence of float, optional
        Weeks of the model; by default the expected ones after the start at which in every protocol some responded and
        some did not.
    correlation : {"exchangeable", "independence"}
        Working correlation; standard errors are robust to a wrong one.

    Returns
    -------
    RepeatedResponders
        Shares by protocol and week, differences and odds ratios by week and over the weeks.

    Raises
    ------
    ModelError
        At no week did some respond and some not in every protocol.

    Notes
    -----
    Liang and Zeger, Biometrika 1986;73:13, protocol by week; robust errors, bias-reduced (Mancl and
    DeRouen, Biometrics 2001;57:126) below 50 patients. Limits of a difference: score limits of both shares with the
    effective size that their errors stand for, combined (:mod:`analysis.statistics.combined_limits`). Visits must be
    missing completely at random, a stronger assumption than the mixed model's.

    Examples
    --------
    >>> from analysis.outcomes import choose_endpoint
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=90, seed=1).observed
    >>> endpoint = choose_endpoint(cohort, "pain", week=26)
    >>> repeated_responders(cohort, endpoint, weeks=[26, 52]).table["week"].unique().tolist()
    [26.0, 52.0]
    """
    level, measure, chosen = endpoint.level, endpoint.measure.name, endpoint.to_reach
    history = responder_history(cohort, endpoint)
    known = history.dropna(subset=["responder"]).assign(responder=lambda one: one["responder"].astype("float64"))
    base = endpoint.compared_with(cohort, known["protocol"])
    usable, left_out = _mixed_weeks(
        known, expected_weeks(seen_weeks(cohort, measure, endpoint.limb)) if weeks is None else weeks
    )
    if not usable:
        raise ModelError(
            "At no week did some patients respond and some not in every protocol.",
            where=f"measure {measure!r}, {chosen.words}",
            what_to_do="Choose another threshold, or compare the shares with responders().",
        )
    used = known[known["week"].isin(usable)]
    cells = [(str(name), week) for name in known["protocol"].cat.categories for week in usable]
    design = np.array(
        [used["protocol"].astype("str").eq(name) & used["week"].eq(week) for name, week in cells], dtype=float
    ).T
    kind: Errors = "bias_reduced" if used["patient_id"].nunique() < 50 else "robust"
    estimate, covariance, association = fit_gee(
        used["responder"].to_numpy(), design, used["patient_id"], correlation=correlation, covariance=kind
    )
    notes = [
        chosen.words,
        f"Generalised estimating equations, working correlation {correlation}, {kind.replace('_', '-')} errors.",
        "Missed visits must be missing completely at random for these shares.",
    ]
    if left_out:
        which = ", ".join(map(moment, left_out))
        notes.append(f"Left out, as nobody or everybody of a protocol responded: {which}.")
    return RepeatedResponders(
        endpoint=endpoint,
        correlation=correlation,
        table=_cell_shares(used, cells, estimate, covariance, level),
        differences=_cell_differences(cells, base, estimate, covariance, level),
        association=association,
        notes=tuple(notes),
    )


def _mixed_weeks(known: pd.DataFrame, weeks: Sequence[float]) -> tuple[list[float], list[float]]:
    """Split weeks into those at which every protocol has both answers, and the others."""
    protocols = known["protocol"].nunique()
    usable: list[float] = []
    left_out: list[float] = []
    for week in sorted({float(one) for one in weeks if one > 0}):
        share = known[known["week"] == week].groupby("protocol", observed=True)["responder"].mean()
        mixed = len(share) == protocols and bool(((share > 0) & (share < 1)).all())
        (usable if mixed else left_out).append(week)
    return usable, left_out


def _cell_shares(
    used: pd.DataFrame, cells: list[tuple[str, float]], estimate: np.ndarray, covariance: np.ndarray, level: float
) -> pd.DataFrame:
    half = float(ndtri((1 + level) / 2)) * np.sqrt(np.diag(covariance))
    grouped = used.groupby([used["protocol"].astype("str"), "week"])["responder"]
    seen, yes = grouped.size().to_dict(), grouped.sum().to_dict()
    return pd.DataFrame(
        {
            "protocol": [name for name, _ in cells],
            "week": [week for _, week in cells],
            "n": [int(seen[cell]) for cell in cells],
            "responders": [int(yes[cell]) for cell in cells],
            "share": expit(estimate),
            "lower": expit(estimate - half),
            "upper": expit(estimate + half),
            "level": level,
            "method": "generalised estimating equations, logit",
        }
    )


def _cell_differences(
    cells: list[tuple[str, float]], reference: str, estimate: np.ndarray, covariance: np.ndarray, level: float
) -> pd.DataFrame:
    z = float(ndtri((1 + level) / 2))
    share = expit(estimate)
    slope = share * (1 - share)
    place = {cell: k for k, cell in enumerate(cells)}
    weeks = list(dict.fromkeys(week for _, week in cells))
    rows = []
    for name in dict.fromkeys(name for name, _ in cells if name != reference):
        own, others = np.zeros((2, len(weeks), len(cells)))
        for k, week in enumerate(weeks):
            own[k, place[name, week]] = others[k, place[reference, week]] = 1.0
        own, others = (np.vstack([one, one.mean(axis=0)]) for one in (own, others))
        for label, one, other in zip([*weeks, "mean"], own, others, strict=True):
            covariance_of_shares = (np.array([one, other]) * slope) @ covariance @ (np.array([one, other]) * slope).T
            found = model_difference([one @ share, other @ share], covariance_of_shares, level=level)
            log_odds = float((one - other) @ estimate)
            odds_error = float(np.sqrt((one - other) @ covariance @ (one - other)))
            odds = np.exp(log_odds + z * odds_error * np.array([0.0, -1.0, 1.0]))
            rows.append((name, reference, label, *found, *odds, level, COMBINED))
    numbers = ["difference", "std_error", "lower", "upper", "odds_ratio", "odds_ratio_lower", "odds_ratio_upper"]
    return pd.DataFrame(rows, columns=["protocol", "reference", "week", *numbers, "level", "method"])
