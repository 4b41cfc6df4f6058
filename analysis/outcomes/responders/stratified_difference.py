"""A difference of responder shares within strata, such as the sites of a trial that allocated patients by site."""

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

from analysis.cohort.tables import Cohort
from analysis.errors import ModelError
from analysis.outcomes.responders.responders import Responders
from analysis.statistics.proportions import check_counts, check_level

Floats = NDArray[np.float64]

STRATIFIED = "Mantel-Haenszel weights, Miettinen-Nurminen score by strata"
COLUMNS = ["strata", "n", "reference_n", "left_out", "difference", "lower", "upper", "level", "method"]


def stratified_difference(
    count: ArrayLike, n: ArrayLike, reference_count: ArrayLike, reference_n: ArrayLike, *, level: float = 0.95
) -> pd.DataFrame:
    """Give the difference of two shares, compared within strata.

    Parameters
    ----------
    count, n, reference_count, reference_n : array_like of int, shape (strata,)
        Counts and denominators of the two groups, stratum by stratum.
    level : float
        Confidence level.

    Returns
    -------
    pandas.DataFrame
        One row: strata (in which both groups have patients), n, reference_n (patients in these), left_out (patients in
        the others), difference, lower, upper, level, method; missing where no stratum has both groups.

    Raises
    ------
    ModelError
        A count is missing, below 0, or above its denominator.

    Notes
    -----
    The differences of the strata are averaged with Mantel and Haenszel's weights, n1 n0 / (n1 + n0). Limits: those
    differences that the score of Miettinen and Nurminen (Stat Med 1985;4:213), its variance with the weights squared,
    would not reject; they lie within -1 to 1, few patients in many strata are no obstacle, and they leave out 0 just
    where the test of Cochran, Mantel and Haenszel does. The difference need not be the same in all strata; it is then
    an average of them.

    Examples
    --------
    >>> stratified_difference([25, 34, 28, 52], [33, 50, 50, 67], [4, 17, 15, 22], [17, 25, 25, 33])[
    ...     ["difference", "lower", "upper"]
    ... ].round(3).iloc[0].tolist()
    [0.114, 0.001, 0.23]
    """
    check_level(level)
    yes, among, other_yes, other_among = (
        np.atleast_1d(np.asarray(one, dtype=float)) for one in (count, n, reference_count, reference_n)
    )
    check_counts(yes, other_yes, among - yes, other_among - other_yes)
    used = (among > 0) & (other_among > 0)
    left_out = int((among + other_among)[~used].sum())
    yes, among, other_yes, other_among = (one[used] for one in (yes, among, other_yes, other_among))
    found = (np.nan, np.nan, np.nan)
    if used.any():
        found = _limits(yes, among, other_yes, other_among, level)
    row = (int(used.sum()), int(among.sum()), int(other_among.sum()), left_out, *found, level, STRATIFIED)
    return pd.DataFrame([row], columns=COLUMNS)


def stratified_responders(cohort: Cohort, found: Responders, *, stratum: str = "site") -> pd.DataFrame:
    """Compare responder shares within the strata of a column of the patients.

    Parameters
    ----------
    cohort : Cohort
        The cohort that ``found`` was made from.
    found : Responders
        The responder analysis; its endpoint holds.
    stratum : str
        Column of the patients; those without a value in it are left out.

    Returns
    -------
    pandas.DataFrame
        One row a protocol other than the reference: protocol, reference, and the columns of
        :func:`stratified_difference`.

    Raises
    ------
    ModelError
        There is no such column.

    Examples
    --------
    >>> from analysis.outcomes import responders
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=120, seed=1).observed
    >>> by_site = stratified_responders(cohort, responders(cohort, "pain", week=26))
    >>> bool(by_site["difference"].between(by_site["lower"], by_site["upper"]).all())
    True
    """
    if stratum not in cohort.patients or stratum in ("patient_id", "protocol"):
        raise ModelError(
            f"There is no column {stratum!r} of strata.",
            where=f"columns of patients: {', '.join(str(name) for name in cohort.patients.columns)}",
            what_to_do="Name the column by which patients were allocated, such as site.",
        )
    strata = cohort.patients.set_index("patient_id")[stratum].astype("object")
    known = found.patients[["patient_id", "protocol", "responder"]].dropna(subset=["responder"])
    known = known.assign(stratum=known["patient_id"].map(strata), protocol=known["protocol"].astype("str"))
    inside = known.dropna(subset=["stratum"])
    everyone = [str(name) for name in found.table["protocol"]]
    among = pd.crosstab(inside["stratum"], inside["protocol"]).reindex(columns=everyone, fill_value=0)
    yes = inside["responder"].astype("int64")
    counted = (
        pd.crosstab(inside["stratum"], inside["protocol"], values=yes, aggfunc="sum").reindex_like(among).fillna(0)
    )
    rows = []
    for name in everyone:
        if name == found.reference:
            continue
        pairs = [table[one].to_numpy() for one in (name, found.reference) for table in (counted, among)]
        row = stratified_difference(*pairs, level=found.endpoint.level)
        unknown = int(known.loc[known["stratum"].isna(), "protocol"].isin([name, found.reference]).sum())
        rows.append(row.assign(left_out=row["left_out"] + unknown, protocol=name, reference=found.reference))
    columns = ["protocol", "reference", *COLUMNS]
    return pd.concat(rows, ignore_index=True)[columns] if rows else pd.DataFrame(columns=columns)


def _limits(yes: Floats, n: Floats, other_yes: Floats, other_n: Floats, level: float) -> tuple[float, float, float]:
    from scipy import optimize

    weight = n * other_n / (n + other_n)
    away = yes / n - other_yes / other_n
    estimate = float(weight @ away / weight.sum())
    z = float(ndtri((1 + level) / 2))

    def score(difference: float, side: float) -> float:
        variance = _variance(difference, yes, n, other_yes, other_n)
        return float(weight @ (away - difference) - side * z * np.sqrt(weight**2 @ variance))

    near = 1e-9
    lower = optimize.brentq(score, -1.0, estimate - near, args=(1.0,)) if estimate > near - 1 else -1.0
    upper = optimize.brentq(score, estimate + near, 1.0, args=(-1.0,)) if estimate < 1 - near else 1.0
    return estimate, float(lower), float(upper)


def _variance(difference: float, yes: Floats, n: Floats, other_yes: Floats, other_n: Floats) -> Floats:
    """Variance of each stratum's difference at the likeliest shares that differ by so much (a cubic in closed form)."""
    all_n, all_yes = n + other_n, yes + other_yes
    b = ((n + 2 * other_n) * difference - all_n - all_yes) / (3 * all_n)
    c = ((other_n * difference - all_n - 2 * other_yes) * difference + all_yes) / (3 * all_n)
    d = other_yes * difference * (1 - difference) / (2 * all_n)
    q = b**3 - 1.5 * b * c + d
    p = np.where(q < 0, -1.0, 1.0) * np.sqrt(np.maximum(b**2 - c, 0.0))
    turn = np.divide(q, p**3, out=np.zeros_like(q), where=p != 0)
    other = 2 * p * np.cos((np.pi + np.arccos(np.clip(turn, -1.0, 1.0))) / 3) - b
    other = np.clip(other, max(0.0, -difference), min(1.0, 1.0 - difference))
    share = other + difference
    return (share * (1 - share) / n + other * (1 - other) / other_n) * all_n / (all_n - 1)
