"""Reliability from test-retest data: intraclass correlation, error of measurement, detectable change, agreement."""

import itertools
import warnings
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtri

from analysis.errors import ModelError
from analysis.result import ResultWithNotes
from analysis.statistics.mean_interval import half_width
from analysis.statistics.proportions import check_level

FORMS = {
    "ICC(1,1)": ("ICC(1,1)", "one measurement, occasions differ from patient to patient"),
    "ICC(A,1)": ("ICC(2,1)", "one measurement, agreement, occasions random"),
    "ICC(C,1)": ("ICC(3,1)", "one measurement, consistency, occasions fixed"),
    "ICC(1,k)": ("ICC(1,k)", "mean of the occasions, occasions differ from patient to patient"),
    "ICC(A,k)": ("ICC(2,k)", "mean of the occasions, agreement, occasions random"),
    "ICC(C,k)": ("ICC(3,k)", "mean of the occasions, consistency, occasions fixed"),
}
CONSISTENCY = "root of the error mean square (consistency)"
AGREEMENT = "root of error and occasion variance (agreement)"
FROM_ICC = "SD of all values times root of 1 - ICC(3,1)"
LIMITS = "t, Bland and Altman 1999"
#: So many values, two patients at two occasions, pingouin refuses.
_FEW = 4


@dataclass(frozen=True, eq=False, repr=False)
class Reliability(ResultWithNotes):
    """Reliability and measurement error of one measure.

    Attributes
    ----------
    n_patients, n_occasions : int
        Patients measured at every occasion, and the occasions.
    unit : str
        Unit of the values.
    correlations : pandas.DataFrame
        form (Shrout and Fleiss), other_name (McGraw and Wong), meaning, estimate, lower, upper (missing for two
        patients at two occasions), level (0.95), statistic, df_numerator, df, n.
    mean_squares : pandas.DataFrame
        source ("patients", "within patients", "occasions", "error"), df, mean_square.
    errors : pandas.DataFrame
        formula, estimate, lower, upper (chi-square, for the mean-square formula only), level, n: standard error of
        measurement in the unit.
    detectable_change : pandas.DataFrame
        formula, applies_to ("one patient" or "mean of n patients"), group_size, confidence (0.90 or 0.95), estimate.
    agreement : pandas.DataFrame
        One row a pair of occasions: first, second, n, bias (second minus first), bias_lower, bias_upper,
        standard_deviation, lower_limit, lower_limit_lower, lower_limit_upper, upper_limit, upper_limit_lower,
        upper_limit_upper, level, method, size_correlation (Spearman, of the absolute difference with the mean).
    patients : pandas.DataFrame
        patient, first, second, mean, difference: the points of the figure of Bland and Altman.
    """

    n_patients: int
    n_occasions: int
    unit: str
    correlations: pd.DataFrame
    mean_squares: pd.DataFrame
    errors: pd.DataFrame
    detectable_change: pd.DataFrame
    agreement: pd.DataFrame
    patients: pd.DataFrame

    def _headline(self) -> str:
        return f"Reliability: {self.n_patients} patients at {self.n_occasions} occasions"


def reliability(
    data: pd.DataFrame,
    *,
    patient: str = "patient_id",
    occasion: str = "occasion",
    value: str = "value",
    unit: str = "",
    group_sizes: Sequence[int] = (30,),
    level: float = 0.95,
) -> Reliability:
    """Judge the reliability of a measure from repeated measurements of stable patients.

    Parameters
    ----------
    data : pandas.DataFrame
        One row a measurement.
    patient, occasion, value : str
        Its columns; an occasion is a test, a day or a rater.
    unit : str
        Unit of the values.
    group_sizes : sequence of int
        Sizes of groups whose mean change is to be detected; the patients of the data are added.
    level : float
        Confidence level of the limits of agreement and the errors (the correlations are given at 95 %).

    Returns
    -------
    Reliability
        All six forms of the intraclass correlation, the standard error of measurement by both formulas, the minimal
        detectable change at 90 and 95 % for one patient and for groups, and limits of agreement.

    Raises
    ------
    ModelError
        A column is missing, a patient has two values at an occasion, or fewer than two complete patients or occasions.

    Notes
    -----
    Shrout and Fleiss, Psychol Bull 1979;86:420 (intervals by pingouin); Weir, J Strength Cond Res 2005;19:231;
    Bland and Altman, Stat Methods Med Res 1999;8:135; group change: de Vet et al., Measurement in Medicine 2011. The
    standard error of measurement is the spread of repeated measurements of one patient, not the error of a mean.

    Examples
    --------
    >>> first = [146, 148, 170, 90, 157, 156, 176, 205]
    >>> second = [140, 152, 152, 99, 145, 153, 167, 218]
    >>> data = pd.DataFrame({"patient_id": list(range(8)) * 2, "occasion": [1] * 8 + [2] * 8, "value": first + second})
    >>> found = reliability(data, unit="N·m")
    >>> found.correlations.set_index("form")["estimate"].round(3)["ICC(3,1)"].item()
    0.947
    >>> found.errors["estimate"].round(1).tolist()
    [7.6, 7.6, 7.3]
    """
    check_level(level)
    table, left_out = _complete(data, patient, occasion, value)
    values = table.to_numpy(dtype=float)
    n, k = values.shape
    squares = _mean_squares(values)
    correlations = correlations_of_squares(n, k, squares)
    if n * k > _FEW:
        correlations[["lower", "upper"]] = _correlation_limits(table)
    errors = _errors(values, squares, correlations, level)
    notes = ["The occasions must find the patients unchanged; change between them counts as error."]
    if left_out:
        notes.append(f"{left_out} patients without a value at every occasion are left out.")
    if n * k <= _FEW:
        notes.append("Four values are too few for intervals of the correlations.")
    agreement = pd.DataFrame([_limits(table, one, other, level) for one, other in itertools.combinations(table, 2)])
    if (agreement["size_correlation"].abs() > 0.3).any() and n >= 10:
        notes.append("Differences grow or shrink with the size of the value: consider logarithms or per cent.")
    return Reliability(
        n_patients=n,
        n_occasions=k,
        unit=unit,
        correlations=correlations,
        mean_squares=squares,
        errors=errors,
        detectable_change=_detectable_change(errors, sorted({*group_sizes, n})),
        agreement=agreement,
        patients=_points(table),
        notes=tuple(notes),
    )


def _complete(data: pd.DataFrame, patient: str, occasion: str, value: str) -> tuple[pd.DataFrame, int]:
    """Give patients by occasions, complete, and the number of patients left out."""
    missing = [name for name in (patient, occasion, value) if name not in data]
    if missing:
        raise ModelError(
            f"The test-retest data lack the column {missing[0]!r}.",
            where=f"columns there: {', '.join(str(name) for name in data)}",
            what_to_do="Name the columns with patient=, occasion= and value=.",
        )
    known = data.dropna(subset=[value])
    twice = known.duplicated([patient, occasion])
    if twice.any():
        first = known.loc[twice, [patient, occasion]].iloc[0]
        raise ModelError(
            f"{int(twice.sum())} values come twice for a patient and occasion.",
            where=f"the first: patient {first.iloc[0]}, occasion {first.iloc[1]}",
            what_to_do="Give each repetition an occasion of its own.",
        )
    wide = known.pivot_table(index=patient, columns=occasion, values=value, sort=False, observed=True)
    table = wide.dropna()
    if table.shape[0] < 2 or table.shape[1] < 2:
        raise ModelError(
            f"{table.shape[0]} patients have a value at each of {wide.shape[1]} occasions; two of each are needed.",
            what_to_do="Leave out occasions that few patients attended, or collect more.",
        )
    return table, data[patient].nunique() - len(table)


def _mean_squares(values: NDArray[np.float64]) -> pd.DataFrame:
    n, k = values.shape
    grand, by_patient, by_occasion = values.mean(), values.mean(axis=1), values.mean(axis=0)
    error = values - by_patient[:, None] - by_occasion[None, :] + grand
    rows = {
        "patients": (n - 1, k * ((by_patient - grand) ** 2).sum()),
        "within patients": (n * (k - 1), ((values - by_patient[:, None]) ** 2).sum()),
        "occasions": (k - 1, n * ((by_occasion - grand) ** 2).sum()),
        "error": ((n - 1) * (k - 1), (error**2).sum()),
    }
    return pd.DataFrame([{"source": name, "df": df, "mean_square": total / df} for name, (df, total) in rows.items()])


def _correlation_limits(table: pd.DataFrame) -> NDArray[np.float64]:
    import pingouin

    long = table.reset_index(names="patient").melt(id_vars="patient", var_name="occasion", value_name="value")
    rounding = dict(pingouin.options)
    pingouin.options.update({"round": None, "round.column.CI95": None})
    try:
        with warnings.catch_warnings(), np.errstate(divide="ignore", invalid="ignore"):
            warnings.simplefilter("ignore", DeprecationWarning)  # pingouin 0.7 on pandas 3.1
            warnings.simplefilter("ignore", RuntimeWarning)  # an interval that cannot be computed comes back as NaN
            found = pingouin.intraclass_corr(long, targets="patient", raters="occasion", ratings="value")
    finally:
        pingouin.options.update(rounding)
    return np.vstack(found.set_index("Type").loc[list(FORMS), "CI95"].to_numpy())


def correlations_of_squares(n: int, k: int, squares: pd.DataFrame) -> pd.DataFrame:
    """Give the intraclass correlations from the mean squares, without intervals.

    Parameters
    ----------
    n, k : int
        Patients and occasions.
    squares : pandas.DataFrame
        As ``mean_squares`` of :class:`Reliability`.

    Returns
    -------
    pandas.DataFrame
        As ``correlations`` of :class:`Reliability`; missing where all values are the same.

    Notes
    -----
    Shrout and Fleiss, Psychol Bull 1979;86:420.

    Examples
    --------
    >>> squares = pd.DataFrame({"source": ["patients", "within patients", "occasions", "error"],
    ...                         "mean_square": [6.25, 1.25, 2.25, 0.25]})
    >>> correlations_of_squares(2, 2, squares)["estimate"].round(3).tolist()
    [0.667, 0.706, 0.923, 0.8, 0.828, 0.96]
    """
    by_source = squares.set_index("source")["mean_square"]
    patients, within, occasions, error = (
        np.float64(by_source[name]) for name in ("patients", "within patients", "occasions", "error")
    )
    between = (occasions - error) / n

    def share(own: float, whole: float) -> float:  # a variance that is none, of all patients alike, has no shares
        return own / whole if whole > 0 else np.nan

    with np.errstate(divide="ignore", invalid="ignore"):
        rows = [
            (share(patients - within, patients + (k - 1) * within), within, n * (k - 1)),
            (share(patients - error, patients + (k - 1) * error + k * between), error, (n - 1) * (k - 1)),
            (share(patients - error, patients + (k - 1) * error), error, (n - 1) * (k - 1)),
            (share(patients - within, patients), within, n * (k - 1)),
            (share(patients - error, patients + between), error, (n - 1) * (k - 1)),
            (share(patients - error, patients), error, (n - 1) * (k - 1)),
        ]
        table = pd.DataFrame(
            [(one, patients / below, df) for one, below, df in rows], columns=["estimate", "statistic", "df"]
        )
    table = table.assign(
        form=[form for form, _ in FORMS.values()], other_name=list(FORMS), meaning=[words for _, words in FORMS.values()],
        lower=np.nan, upper=np.nan, level=0.95, df_numerator=n - 1, n=n,
    )  # fmt: skip
    return table[
        ["form", "other_name", "meaning", "estimate", "lower", "upper", "level", "statistic", "df_numerator", "df", "n"]
    ]


def _errors(
    values: NDArray[np.float64], squares: pd.DataFrame, correlations: pd.DataFrame, level: float
) -> pd.DataFrame:
    from scipy import stats

    n, occasion_df = len(values), values.shape[1] - 1
    mean_square = dict(zip(squares["source"], squares["mean_square"].astype(float), strict=True))
    error, df = mean_square["error"], (n - 1) * occasion_df
    occasions = max(0.0, (mean_square["occasions"] - error) / n)
    icc = dict(zip(correlations["form"], correlations["estimate"].astype(float), strict=True))["ICC(3,1)"]
    few, many = (float(stats.chi2.ppf(tail, df)) for tail in ((1 - level) / 2, (1 + level) / 2))
    nothing = float("nan")
    rows = [
        (CONSISTENCY, error**0.5, (df * error / many) ** 0.5, (df * error / few) ** 0.5),
        (AGREEMENT, (error + occasions) ** 0.5, nothing, nothing),
        (FROM_ICC, float(values.std(ddof=1)) * max(0.0, 1 - icc) ** 0.5, nothing, nothing),
    ]
    table = pd.DataFrame(rows, columns=["formula", "estimate", "lower", "upper"])
    return table.assign(level=level, n=n)


def _detectable_change(errors: pd.DataFrame, group_sizes: Sequence[int]) -> pd.DataFrame:
    rows = []
    for formula, error in zip(errors["formula"], errors["estimate"], strict=True):
        for size in (1, *group_sizes):
            for confidence in (0.90, 0.95):
                change = float(ndtri((1 + confidence) / 2)) * (2 / size) ** 0.5 * error
                applies_to = "one patient" if size == 1 else f"mean of {size} patients"
                rows.append((formula, applies_to, size, confidence, change))
    return pd.DataFrame(rows, columns=["formula", "applies_to", "group_size", "confidence", "estimate"])


def _limits(table: pd.DataFrame, first: object, second: object, level: float) -> dict[str, object]:
    """Limits of agreement; the variance of a limit is s² (1/n + z² / (2 (n - 1))), Bland and Altman 1999."""
    from scipy import stats

    one, other = table[first].to_numpy(dtype=float), table[second].to_numpy(dtype=float)
    difference, n = other - one, len(table)
    bias, spread = float(difference.mean()), float(difference.std(ddof=1))
    z = float(ndtri((1 + level) / 2))
    around_bias = float(half_width(spread / n**0.5, n - 1, level=level))
    around_limit = float(half_width(spread * (1 / n + z**2 / (2 * (n - 1))) ** 0.5, n - 1, level=level))
    varied = n > 2 and np.ptp(np.abs(difference)) > 0 and np.ptp(one + other) > 0
    size = float(stats.spearmanr(np.abs(difference), one + other).statistic) if varied else float("nan")
    row: dict[str, object] = {"first": str(first), "second": str(second), "n": n, "bias": bias}
    row |= {"bias_lower": bias - around_bias, "bias_upper": bias + around_bias, "standard_deviation": spread}
    for name, limit in (("lower_limit", bias - z * spread), ("upper_limit", bias + z * spread)):
        row |= {name: limit, f"{name}_lower": limit - around_limit, f"{name}_upper": limit + around_limit}
    return row | {"level": level, "method": LIMITS, "size_correlation": size}


def _points(table: pd.DataFrame) -> pd.DataFrame:
    parts = []
    for first, second in itertools.combinations(table, 2):
        pair = table[[first, second]].astype(float)
        points = pd.DataFrame({"patient": table.index, "first": str(first), "second": str(second)}, index=table.index)
        parts.append(points.assign(mean=pair.mean(axis=1), difference=pair[second] - pair[first]))
    return pd.concat(parts, ignore_index=True)
