"""A primary outcome and secondary ones in the order given, tested with one level for all of them together."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.cohort.schedule import moment
from analysis.cohort.tables import Cohort
from analysis.curves.recovery import RecoveryCurves, fit_recovery
from analysis.curves.recovery_design import CurveDesign
from analysis.errors import ModelError
from analysis.outcomes.comparisons.effect_size import standardised_difference
from analysis.result import ResultWithNotes
from analysis.statistics.graphical_tests import graphical_test, in_order

METHOD = "graph of tests in order (Bretz et al., Stat Med 2009;28:586)"


@dataclass(frozen=True, eq=False, repr=False)
class OutcomesInOrder(ResultWithNotes):
    """Outcomes in order, each protocol against the reference.

    Attributes
    ----------
    table : pandas.DataFrame
        place (1 is the primary outcome), measure, label, limb, unit, better (1 where a rise is an improvement, else -1), week,
        protocol, reference, n, reference_n (patients seen at the week, of ``allocated`` and ``reference_allocated``), estimate,
        std_error, df, lower, upper, p_value (not adjusted), adjusted_p_value (over all outcomes and protocols, by the order),
        found (whether it is at most 1 - level), tested (whether all before it in its protocol's order were found), and
        standardised with its limits.
    curves : dict
        The fitted curves by measure.
    level : float
        Of each interval, and of all tests together.
    """

    table: pd.DataFrame
    curves: dict[str, RecoveryCurves]
    level: float

    def _headline(self) -> str:
        labels = list(dict.fromkeys(self.table["label"]))
        return f"Outcomes in order: {', '.join(labels)}"

    def _shown_tables(self) -> dict[str, pd.DataFrame]:
        columns = ["place", "label", "protocol", "estimate", "lower", "upper", "unit", "adjusted_p_value", "found"]
        return {"table": self.table[columns]}


def compare_outcomes(
    cohort: Cohort,
    measures: Sequence[str],
    *,
    week: float | None = None,
    reference: str | None = None,
    adjust_for: Sequence[str] | None = None,
    level: float = 0.95,
) -> OutcomesInOrder:
    """Compare protocols on a primary outcome and on secondary ones in order.

    Parameters
    ----------
    cohort : Cohort
    measures : sequence of str
        The primary outcome first; of a measure of limbs the involved one.
    week : float, optional
        Week of the comparison; a measure not seen then takes its own primary week. By default that of
        :func:`analysis.curves.recovery.fit_recovery`.
    reference, adjust_for
        As of :func:`analysis.curves.recovery.fit_recovery`.
    level : float
        Confidence level of each interval, which is not adjusted, and of all tests together.

    Returns
    -------
    OutcomesInOrder
        A row an outcome and protocol.

    Raises
    ------
    ModelError
        A measure is named twice, none or one protocol can be compared, or the curves of one cannot be fitted.

    Notes
    -----
    The protocols share the error 1 - level at the primary outcome. One that shows a difference passes its part to its next
    outcome, and after the last to the other protocols (:func:`analysis.statistics.graphical_tests.in_order`). What comes after an
    outcome without a difference is not tested; its interval describes only.

    Standardised differences are divided by the standard deviation of the values at the start, pooled over the protocols; where
    there are none, of those at the week.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=120, seed=1).observed
    >>> found = compare_outcomes(cohort, ["quadriceps_torque", "ikdc", "pain"], week=26)
    >>> found.table["measure"].unique().tolist()
    ['quadriceps_torque', 'ikdc', 'pain']
    >>> bool((found.table["adjusted_p_value"] >= found.table["p_value"]).all())
    True
    """
    names = [str(name) for name in measures]
    if len(set(names)) < len(names) or not names:
        raise ModelError(
            "Outcomes in order are each named once." if names else "No outcome is named.",
            where=f"measures: {', '.join(names) or 'none'}",
            what_to_do="Name the primary outcome and then the secondary ones.",
        )
    curves = {name: _curves(cohort, name, week, reference, adjust_for) for name in names}
    first = curves[names[0]]
    if len(first.protocols) == 1:
        raise ModelError(
            "There is one protocol only, so there is nothing to compare.",
            where=f"protocol {first.protocols[0]}",
            what_to_do="Give a cohort of two protocols or more.",
        )
    others = list(first.protocols[1:])
    rows = [_rows(place, one, first.protocols[0], others, level) for place, one in enumerate(curves.values(), 1)]
    table = pd.concat(rows, ignore_index=True)
    tested = graphical_test(table["p_value"].tolist(), *in_order(len(names), len(others)), level=level)
    table = table.assign(
        adjusted_p_value=tested["adjusted_p_value"],
        found=tested["rejected"],
        tested=_reached(table, tested["rejected"]),
    )
    return OutcomesInOrder(table=table, curves=curves, level=level, notes=_notes(curves, len(others), level))


def _curves(
    cohort: Cohort, name: str, week: float | None, reference: str | None, adjust_for: Sequence[str] | None
) -> RecoveryCurves:
    fitted = fit_recovery(cohort, name, reference=reference, adjust_for=adjust_for)
    taken = week_of_outcome(fitted, week)
    if taken == fitted.primary_week:
        return fitted
    return fit_recovery(cohort, name, primary_week=taken, reference=reference, adjust_for=adjust_for)


def week_of_outcome(curves: RecoveryCurves | CurveDesign, week: float | None) -> float:
    """Give the week at which an outcome is compared: the one named where it was measured then, else its own primary week."""
    return curves.primary_week if week is None or week not in curves.weeks else week


def _rows(place: int, curves: RecoveryCurves, reference: str, others: list[str], level: float) -> pd.DataFrame:
    """Give a row a protocol, in the order of the primary outcome; without numbers where nobody was seen."""
    week, measure = curves.primary_week, curves.measure
    found = curves.primary_differences(level=level).astype({"protocol": "str"}).set_index("protocol").reindex(others)
    at = curves.visits[curves.visits["week"] == week].groupby("protocol", observed=True)["patient_id"].nunique()
    spread, df = _spread(curves)
    if reference != curves.protocols[0]:
        found[["estimate", "std_error", "df", "lower", "upper", "p_value"]] = np.nan
    table = pd.DataFrame(
        {
            "place": place, "measure": measure.name, "label": measure.label, "limb": curves.limb, "unit": measure.unit,
            "better": measure.sign, "week": week, "protocol": others, "reference": reference,
            "n": [int(at.get(name, 0)) for name in others], "reference_n": int(at.get(reference, 0)),
        }
    )  # fmt: skip
    numbers = found[["estimate", "std_error", "df", "lower", "upper", "p_value"]].reset_index(drop=True)
    standard = standardised_difference(numbers["estimate"], numbers["std_error"], spread, df, level=level)
    columns = ["standardised", "standardised_lower", "standardised_upper"]
    return table.join(numbers).join(standard[columns]).assign(standard_deviation=spread)


def _spread(curves: RecoveryCurves) -> tuple[float, int]:
    """Give the standard deviation within protocols of the last values before the start, else of those at the week."""
    before = curves.visits[curves.visits["week"] <= 0].drop_duplicates("patient_id", keep="last")
    values = before if len(before) else curves.visits[curves.visits["week"] == curves.primary_week]
    groups = values.groupby("protocol", observed=True)["value"]
    df = int((groups.count() - 1).clip(lower=0).sum())
    return (float(np.sqrt(((groups.count() - 1) * groups.var()).sum() / df)) if df else np.nan), df


def _reached(table: pd.DataFrame, found: pd.Series) -> pd.Series:
    """Say whether all outcomes before it were found in its protocol."""
    before = found.astype(int).groupby(table["protocol"]).transform(lambda one: one.cumprod().shift(fill_value=1))
    return before.astype(bool)


def _notes(curves: dict[str, RecoveryCurves], protocols: int, level: float) -> tuple[str, ...]:
    first, *later = curves.values()
    other = [
        f"{one.measure.label} at {moment(one.primary_week)}" for one in later if one.primary_week != first.primary_week
    ]
    shared = (
        ""
        if protocols == 1
        else f" {protocols} protocols share it at the primary outcome, and one that shows all passes it to the others."
    )
    error = f"{100 * (1 - level):g} % of error for all together"
    return (
        f"Tested in the order given, with {error}: an outcome is tested where the one before it was found.{shared}",
        "Intervals are each by itself, not adjusted.",
        *([f"Not seen at the primary week: {', '.join(other)}."] if other else []),
    )
