"""The comparison at one week under different assumptions about the missing visits, side by side."""

from __future__ import annotations

import warnings
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, get_args

import numpy as np
import pandas as pd

from analysis.curves.recovery import fit_recovery
from analysis.curves.recovery_choices import adjusted_in_words
from analysis.errors import DesignWarning, KneecurveError
from analysis.outcomes.endpoint import MissingRule, rounding_room
from analysis.outcomes.missing.completed_data import (
    mean_differences,
    residual_freedom,
    share_differences,
)
from analysis.outcomes.missing.imputation import AT_RANDOM, Assumption, imputations, reference_needed
from analysis.outcomes.missing.same_adjustment import adjusting, adjustment_by_week, model_and_adjustment
from analysis.outcomes.missing.weekly_model import WeeklyModel, check_draws, several_protocols, week_place
from analysis.outcomes.responders.responders import responders
from analysis.progress import in_portions
from analysis.result import ResultWithNotes
from analysis.statistics.rubin import pool, pool_shares

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from analysis.cohort.tables import Cohort
    from analysis.outcomes.endpoint import Endpoint

OBSERVED = "observed cases"
MIXED_MODEL = "mixed model"
NON_RESPONSE = "missing counted as non-response"
IMPUTED = "multiple imputation"
OF_SHARES = "Rubin's rules (variances of Agresti and Caffo), score limits combined (MOVER)"

_ANCHORED = (
    "Under the assumptions about the reference, Rubin's rules give information-anchored intervals: the gaps cost as much "
    "information as under missing at random. In repeated trials the estimates would scatter less than that (Cro, "
    "Carpenter & Kenward, J R Stat Soc A 2019;182:623)."
)
_CARRIED = "Carrying the last value forward is not offered: it assumes that recovery stops at the last visit."


@dataclass(frozen=True, eq=False, repr=False)
class MissingDataAnalyses(ResultWithNotes):
    """One comparison under several assumptions about missing visits.

    Attributes
    ----------
    endpoint : Endpoint
        What is compared; without a threshold there are no responders.
    reference : str
        The protocol compared with.
    draws : int
        Imputed data sets of each assumption.
    covariates : tuple of str
        What the differences of means are adjusted for: "baseline" and columns of the patients.
    differences : pandas.DataFrame
        analysis, assumption, protocol, reference, n, reference_n, difference (of means at the week, adjusted for the
        covariates, in the unit of the measure), std_error, df, lower, upper, level, method.
    responders : pandas.DataFrame
        The same for the share of responders; empty without a threshold. std_error and df are missing where the interval
        is not made from them.
    """

    endpoint: Endpoint
    reference: str
    draws: int
    covariates: tuple[str, ...]
    differences: pd.DataFrame
    responders: pd.DataFrame

    def _headline(self) -> str:
        return f"{self.endpoint.measure.label} at week {self.endpoint.week:g} under several assumptions about missing visits"


def missing_data_analyses(
    cohort: Cohort,
    endpoint: Endpoint,
    *,
    covariates: Sequence[str] | None = None,
    draws: int = 200,
    seed: int = 1,
    tell: Callable[[int, int], None] | None = None,
) -> MissingDataAnalyses:
    """Compare protocols at a week under several assumptions about the missing visits.

    Parameters
    ----------
    cohort : Cohort
        The cohort.
    endpoint : Endpoint
        What is compared, at a scheduled week; its own rule for missing visits plays no part. Without a threshold there are
        no responders. Where no reference is named, in it or in the cohort, the analyses that fill visits as if under the
        reference are left out.
    covariates : sequence of str, optional
        What the differences of means are adjusted for: "baseline" and columns of the patients; by default what the
        recovery curves are adjusted for (:func:`analysis.curves.recovery.adjustment`).
    draws, seed : int
        Imputed data sets of each assumption, and the seed.
    tell : callable, optional
        Told how many imputations are done; without it progress is shown on a terminal after two seconds.

    Returns
    -------
    MissingDataAnalyses
        Observed cases, the mixed model of the report, multiple imputation under missing at random, jump to reference,
        copy reference and copy increments in reference; for responders also missing counted as non-response.

    Raises
    ------
    ModelError
        The week is not a scheduled one, there is one protocol only, or the joint model cannot be fitted.

    Notes
    -----
    The imputed data sets are analysed by least squares on protocol and covariates and pooled by Rubin's rules
    (:func:`analysis.statistics.rubin.pool`); how gaps are filled: :func:`analysis.outcomes.missing.imputation.imputations`.

    Examples
    --------
    >>> from analysis.outcomes import choose_endpoint
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=120, seed=1).observed
    >>> found = missing_data_analyses(cohort, choose_endpoint(cohort, "ikdc", week=26), draws=20)
    >>> found.differences["assumption"].unique().tolist()[1:3]
    ['missing at random', 'jump to reference']
    """
    check_draws(draws)
    week, level = endpoint.week, endpoint.level
    model, adjusted_for = model_and_adjustment(cohort, endpoint, covariates)
    several_protocols(model)
    place = week_place(model, week)
    named = endpoint.reference is not None or cohort.reference is not None
    base_name = endpoint.compared_with(cohort, model.patients["protocol"])
    endpoint = replace(endpoint, reference=base_name)
    means: list[pd.DataFrame] = [_observed(model, place, base_name, adjusted_for, level)]
    shares: list[pd.DataFrame] = []
    left_out: tuple[str, ...] = ()
    mixed = _mixed(cohort, endpoint, adjusted_for)
    if isinstance(mixed, str):
        left_out = (f"The mixed model is left out: {mixed}",)
    else:
        means.append(mixed)
    if endpoint.threshold is not None:
        raw, counted = (responders(cohort, replace(endpoint, missing=rule)) for rule in get_args(MissingRule))
        shares += [_shares(raw.differences, OBSERVED, "the missing are like those seen")]
        shares += [_shares(counted.differences, NON_RESPONSE, "nobody missing improved enough")]
    done = 0
    kinds = get_args(Assumption) if named else (AT_RANDOM,)
    for number, assumption in enumerate(kinds):
        parts = _imputed(
            model, endpoint, adjusted_for, assumption, draws, np.random.default_rng([seed, number]),
            _ahead(tell, done, draws * len(kinds)),
        )  # fmt: skip
        means.append(parts[0])
        shares += parts[1:]
        done += draws
    seen_by = f"a value at week {week:g}" + (" and a baseline" if "baseline" in adjusted_for else "")
    notes = (
        f"Differences of means are adjusted for {adjusted_in_words(adjusted_for) or 'nothing'}.",
        *([] if model.has_baseline else ["There is no baseline."]),
        f"Observed cases: patients with {seen_by}.",
        "Mixed model and multiple imputation: missing at random given the visits made.",
        *adjustment_by_week(adjusted_for),
        *left_out,
        *model.choices,
        "Imputed values are normal: they are not rounded to a score's points and may lie beyond the ends of its scale.",
        f"Each multiple imputation: {draws} completed data sets.",
        _ANCHORED if named else reference_needed(base_name),
        _CARRIED,
    )
    return MissingDataAnalyses(
        endpoint=endpoint,
        reference=base_name,
        draws=draws,
        covariates=adjusted_for,
        differences=pd.concat(means, ignore_index=True),
        responders=pd.concat(shares, ignore_index=True) if shares else pd.DataFrame(columns=means[0].columns),
        notes=notes,
    )


def rows_of(
    model: WeeklyModel, base: str, table: pd.DataFrame, analysis: str, assumption: str, n: np.ndarray
) -> pd.DataFrame:
    """Lay out one analysis: a row a protocol other than the base."""
    others = [k for k, name in enumerate(model.protocols) if name != base]
    return pd.DataFrame(
        {
            "analysis": analysis,
            "assumption": assumption,
            "protocol": [model.protocols[k] for k in others],
            "reference": base,
            "n": n[others],
            "reference_n": n[model.protocols.index(base)],
            "difference": table["estimate"].to_numpy(),
            **{name: table[name].to_numpy() for name in ("std_error", "df", "lower", "upper", "level", "method")},
        }
    )


def _observed(model: WeeklyModel, place: int, base: str, adjusted_for: Sequence[str], level: float) -> pd.DataFrame:
    from scipy.special import stdtrit

    values = model.values  # noqa: PD011 - a field, not a frame
    value, columns = values[:, place], adjusting(model, adjusted_for)(values)
    seen = np.isfinite(value) & np.isfinite(columns).all(axis=1)
    protocol, count = model.protocol[seen], len(model.protocols)
    estimate, variance = mean_differences(value[seen], columns[seen], protocol, model.protocols.index(base), count)
    df = residual_freedom(columns[seen], protocol, count)
    half = stdtrit(df, (1 + level) / 2) * np.sqrt(variance)
    table = pd.DataFrame(
        {
            "estimate": estimate,
            "std_error": np.sqrt(variance),
            "df": df,
            "lower": estimate - half,
            "upper": estimate + half,
            "level": level,
            "method": "least squares, t",
        }
    )
    n = np.bincount(protocol, minlength=count)
    return rows_of(model, base, table, OBSERVED, "the missing are like those seen", n)


def _mixed(cohort: Cohort, endpoint: Endpoint, adjusted_for: Sequence[str]) -> pd.DataFrame | str:
    """Give the mixed model's rows, or why there are none."""
    base, level = str(endpoint.reference), endpoint.level
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", DesignWarning)  # weeks that a protocol did not reach are in the notes
            curves = fit_recovery(
                cohort, endpoint.measure.name, limb=endpoint.limb, primary_week=endpoint.week, reference=base
            )
    except KneecurveError as error:
        return error.what
    if set(curves.adjusted_for) != set(adjusted_for):
        own, asked = (adjusted_in_words(names) or "nothing" for names in (curves.adjusted_for, adjusted_for))
        return f"it is adjusted for {own} and the others for {asked}, so it would compare something else."
    found = curves.primary_differences(level=level)
    seen = curves.frame.groupby("protocol", observed=False)["patient_id"].nunique()
    return pd.DataFrame(
        {
            "analysis": MIXED_MODEL,
            "assumption": "missing at random",
            "protocol": found["protocol"].astype("str").to_numpy(),
            "reference": base,
            "n": [int(seen[name]) for name in found["protocol"]],
            "reference_n": int(seen[base]),
            "difference": found["estimate"].to_numpy(),
            **{name: found[name].to_numpy() for name in ("std_error", "df", "lower", "upper")},
            "level": level,
            "method": found["method"].astype("str").to_numpy(),
        }
    )


def _imputed(
    model: WeeklyModel,
    endpoint: Endpoint,
    adjusted_for: Sequence[str],
    assumption: Assumption,
    draws: int,
    rng: np.random.Generator,
    tell: Callable[[int, int], None] | None,
) -> list[pd.DataFrame]:
    """Analyse the completed data sets of one assumption."""
    base_name, level, place = str(endpoint.reference), endpoint.level, week_place(model, endpoint.week)
    base, count = model.protocols.index(base_name), len(model.protocols)
    protocol, columns_of = model.protocol, adjusting(model, adjusted_for)
    responses = endpoint.threshold is not None and (model.has_baseline or endpoint.criterion == "state")
    means, mean_variances, gaps, gap_variances, shares = [], [], [], [], []
    places = [0, place] if responses or "baseline" in adjusted_for else [place]
    filled = imputations(model, draws, rng, assumption=assumption, reference=base_name, places=places)
    for begin, end in in_portions(draws, 10, f"Imputations, {assumption}", tell):
        for _ in range(begin, end):
            values = next(filled)
            columns = columns_of(values)
            estimate, variance = mean_differences(values[:, place], columns, protocol, base, count)
            means.append(estimate)
            mean_variances.append(variance)
            if responses:
                amount = endpoint.amount(values[:, 0], values[:, place])
                reached = amount >= endpoint.limit - rounding_room(endpoint.limit)
                estimate, variance, share = share_differences(reached, protocol, base, count)
                gaps.append(estimate)
                gap_variances.append(variance)
                shares.append(share)
    size = np.bincount(protocol, minlength=count)
    tables = [pool(means, mean_variances, df=residual_freedom(columns, protocol, count), level=level)]
    if shares:
        df = float(max(len(protocol) - count, 1))
        tables.append(pool_shares(gaps, gap_variances, shares, size, base, df=df, level=level).assign(method=OF_SHARES))
    return [rows_of(model, base_name, table, IMPUTED, assumption, size) for table in tables]


def _shares(differences: pd.DataFrame, analysis: str, assumption: str) -> pd.DataFrame:
    keep = ["protocol", "reference", "n", "reference_n", "difference", "lower", "upper", "level", "method"]
    table = differences[keep].assign(
        analysis=analysis,
        assumption=assumption,
        std_error=np.nan,
        df=np.nan,
        protocol=differences["protocol"].astype("str"),
    )
    first = ["analysis", "assumption", *keep[:5], "std_error", "df", *keep[5:]]
    return table[first]


def _ahead(tell: Callable[[int, int], None] | None, done: int, total: int) -> Callable[[int, int], None] | None:
    """Count the imputations of one assumption among those of all."""
    if tell is None:
        return None
    return lambda here, _: tell(done + here, total)
