"""The comparison at one week under different assumptions about the missing visits, side by side."""

import warnings
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, get_args

import numpy as np
import pandas as pd
from scipy.special import stdtrit

from analysis.cohort.schedule import moment
from analysis.cohort.tables import Cohort
from analysis.curves.covariates import adjusted_in_words
from analysis.curves.recovery import RecoveryCurves, fit_recovery
from analysis.errors import DesignWarning, KneecurveError
from analysis.outcomes.endpoint import Endpoint, MissingRule, rounding_room
from analysis.outcomes.missing.completed_data import mean_differences, residual_freedom, share_differences
from analysis.outcomes.missing.imputation import AT_RANDOM, Assumption, imputations, reference_needed
from analysis.outcomes.missing.same_adjustment import Comparison, adjustment_by_week, compare_at_week, means_as_measured
from analysis.outcomes.missing.weekly_model import WeeklyModel, check_draws
from analysis.outcomes.responders.responders import Responders, responders
from analysis.progress import in_portions
from analysis.result import ResultWithNotes
from analysis.statistics.rubin import pool, pool_shares

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
        return f"{self.endpoint.measure.label} at {moment(self.endpoint.week)} under several assumptions about missing visits"


def missing_data_analyses(
    cohort: Cohort,
    endpoint: Endpoint,
    *,
    covariates: Sequence[str] | None = None,
    model: WeeklyModel | None = None,
    curves: RecoveryCurves | None = None,
    draws: int = 200,
    seed: int = 1,
    tell: Callable[[int, int], None] | None = None,
) -> MissingDataAnalyses:
    """Compare protocols at a week under several assumptions about the missing visits.

    Parameters
    ----------
    cohort : Cohort
    endpoint : Endpoint
        What is compared, at a scheduled week; its own rule for missing visits plays no part. Without a threshold there are
        no responders. Where no reference is named, in it or in the cohort, the analyses that fill visits as if under the
        reference are left out.
    covariates : sequence of str, optional
        What the differences of means are adjusted for: "baseline" and columns of the patients; by default what the
        recovery curves are adjusted for (:func:`analysis.curves.recovery.adjustment`).
    model : WeeklyModel, optional
        The joint model of this measure with these covariates (but for the baseline), where
        :func:`analysis.outcomes.missing.weekly_model.fit_weekly` has fitted it already.
    curves : RecoveryCurves, optional
        The recovery curves of this measure, limb and week, where they are fitted already; they stand as the mixed model.
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
        The week is not a scheduled one, there is one protocol only, or the joint model cannot be fitted or is another's.

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
    compared = compare_at_week(cohort, endpoint, covariates, model)
    model, adjusted_for, base = compared.model, compared.adjusted_for, str(compared.endpoint.reference)
    named = endpoint.reference is not None or cohort.reference is not None
    endpoint = compared.endpoint
    means: list[pd.DataFrame] = [_observed(compared)]
    shares: list[pd.DataFrame] = []
    left_out: tuple[str, ...] = ()
    mixed = _mixed(cohort, endpoint, adjusted_for, curves, named=covariates is not None)
    if isinstance(mixed, str):
        left_out = (f"The mixed model is left out: {mixed}",)
    else:
        means.append(mixed)
    if endpoint.threshold is not None:
        shares += counted_shares(cohort, endpoint)
    done = 0
    kinds = get_args(Assumption) if named else (AT_RANDOM,)
    for number, assumption in enumerate(kinds):
        parts = _imputed(
            compared, assumption, draws, np.random.default_rng([seed, number]), _ahead(tell, done, draws * len(kinds))
        )
        means.append(parts[0])
        shares += parts[1:]
        done += draws
    seen_by = f"a value at {moment(endpoint.week)}" + (" and a baseline" if "baseline" in adjusted_for else "")
    notes = (
        f"Differences of means are adjusted for {adjusted_in_words(adjusted_for) or 'nothing'}.",
        *means_as_measured(endpoint.measure),
        *([] if model.has_baseline else ["There is no baseline."]),
        f"Observed cases: patients with {seen_by}.",
        "Mixed model and multiple imputation: missing at random given the visits made.",
        *adjustment_by_week(adjusted_for),
        *left_out,
        *model.choices,
        "Imputed values are normal: they are not rounded to a score's points and may lie beyond the ends of its scale.",
        f"Each multiple imputation: {draws} completed data sets.",
        _ANCHORED if named else reference_needed(base),
        _CARRIED,
    )
    return MissingDataAnalyses(
        endpoint=endpoint,
        reference=base,
        draws=draws,
        covariates=adjusted_for,
        differences=pd.concat(means, ignore_index=True),
        responders=pd.concat(shares, ignore_index=True) if shares else pd.DataFrame(columns=means[0].columns),
        notes=notes,
    )


def rows_of(table: pd.DataFrame, base: str, analysis: str, assumption: str, n: Mapping[Any, int]) -> pd.DataFrame:
    """Lay out one analysis, a row a protocol other than the base; ``n`` has the patients of each protocol."""
    return pd.DataFrame(
        {
            "analysis": analysis,
            "assumption": assumption,
            "protocol": table["protocol"],
            "reference": base,
            "n": table["protocol"].map(n),
            "reference_n": n[base],
            "difference": table["estimate"],
            **{name: table[name] for name in ("std_error", "df", "lower", "upper", "level", "method")},
        }
    )


def _sizes(compared: Comparison, protocol: np.ndarray) -> dict[str, int]:
    """Count the patients of each protocol."""
    names = compared.model.protocols
    return dict(zip(names, np.bincount(protocol, minlength=len(names)).tolist(), strict=True))


def _observed(compared: Comparison) -> pd.DataFrame:
    values, level = compared.model.values, compared.endpoint.level  # noqa: PD011 - a field, not a frame
    value, columns = values[:, compared.place], compared.columns(values)
    seen = np.isfinite(value) & np.isfinite(columns).all(axis=1)
    everyone, base, count = compared.groups
    protocol = everyone[seen]
    estimate, variance = mean_differences(value[seen], columns[seen], protocol, base, count)
    df, error = residual_freedom(columns[seen], protocol, count), np.sqrt(variance)
    half = stdtrit(df, (1 + level) / 2) * error
    table = pd.DataFrame({"protocol": compared.others, "estimate": estimate, "std_error": error, "df": df})
    table = table.assign(lower=estimate - half, upper=estimate + half, level=level, method="least squares, t")
    sizes = _sizes(compared, protocol)
    return rows_of(table, compared.model.protocols[base], OBSERVED, "the missing are like those seen", sizes)


def _mixed(
    cohort: Cohort, endpoint: Endpoint, adjusted_for: Sequence[str], curves: RecoveryCurves | None, *, named: bool
) -> pd.DataFrame | str:
    """Give the mixed model's rows, or why there are none."""
    base = str(endpoint.reference)
    further = [name for name in adjusted_for if name != "baseline"] if named else None
    if curves is None:
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore", DesignWarning)  # weeks that a protocol did not reach are in the notes
                curves = fit_recovery(
                    cohort, endpoint.measure.name, limb=endpoint.limb, primary_week=endpoint.week, reference=base,
                    adjust_for=further,
                )  # fmt: skip
        except KneecurveError as error:
            return error.what
    if not curves.baseline_outcome and set(curves.adjusted_for) != set(adjusted_for):
        own, asked = (adjusted_in_words(names) or "nothing" for names in (curves.adjusted_for, adjusted_for))
        return f"it is adjusted for {own} and the others for {asked}, so it would compare something else."
    found = curves.primary_differences(level=endpoint.level).astype({"protocol": "str", "method": "str"})
    seen = curves.frame.groupby("protocol", observed=False)["patient_id"].nunique().to_dict()
    return rows_of(found, base, MIXED_MODEL, "missing at random", seen)


def _imputed(
    compared: Comparison,
    assumption: Assumption,
    draws: int,
    rng: np.random.Generator,
    tell: Callable[[int, int], None] | None,
) -> list[pd.DataFrame]:
    """Analyse the completed data sets of one assumption."""
    model, endpoint, place = compared.model, compared.endpoint, compared.place
    (protocol, base, count), level = compared.groups, endpoint.level
    base_name = model.protocols[base]
    responses = endpoint.threshold is not None and (model.has_baseline or endpoint.criterion == "state")
    means, mean_variances, gaps, gap_variances, shares = [], [], [], [], []
    places = [0, place] if responses or "baseline" in compared.adjusted_for else [place]
    filled = imputations(model, draws, rng, assumption=assumption, reference=base_name, places=places)
    for begin, end in in_portions(draws, 10, f"Imputations, {assumption}", tell):
        for _ in range(begin, end):
            values = next(filled)
            columns = compared.columns(values)
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
    return [
        rows_of(table.assign(protocol=compared.others), base_name, IMPUTED, assumption, _sizes(compared, protocol))
        for table in tables
    ]


def counted_shares(cohort: Cohort, endpoint: Endpoint) -> list[pd.DataFrame]:
    """Compare responders among those judged, and with the others counted as not reached; two tables of :func:`rows_of`."""
    raw, counted = (responders(cohort, replace(endpoint, missing=rule)) for rule in get_args(MissingRule))
    nobody = "nobody missing reached it" if endpoint.criterion == "state" else "nobody missing improved enough"
    return [_shares(raw, OBSERVED, "the missing are like those seen"), _shares(counted, NON_RESPONSE, nobody)]


def _shares(found: Responders, analysis: str, assumption: str) -> pd.DataFrame:
    table = found.differences.assign(estimate=found.differences["difference"], std_error=np.nan, df=np.nan)
    return rows_of(table, found.reference, analysis, assumption, found.table.set_index("protocol")["n"].to_dict())


def _ahead(tell: Callable[[int, int], None] | None, done: int, total: int) -> Callable[[int, int], None] | None:
    """Count the imputations of one assumption among those of all."""
    if tell is None:
        return None
    return lambda here, _: tell(done + here, total)
