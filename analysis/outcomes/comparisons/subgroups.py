"""Differences between protocols within groups of patients, and whether they differ from group to group."""

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.cohort.schedule import moment
from analysis.cohort.tables import Cohort
from analysis.counted import counted
from analysis.curves.means import mean_rows
from analysis.curves.mixed_model import MixedModel, fit_mixed
from analysis.curves.recovery import RecoveryCurves, fit_recovery
from analysis.errors import ModelError
from analysis.result import ResultWithNotes

#: A group with fewer patients of a protocol than this at the week is not compared (design choice).
FEWEST_IN_A_GROUP = 10
#: More groups than this are too many to compare (design choice).
MOST_GROUPS = 6
_BY_INTERACTION = (
    "Whether the differences are the same in the groups is said by the test of interaction alone: one interval that leaves out zero "
    "beside one that does not says nothing of it."
)
_TO_BE_BELIEVED = (
    "A difference between groups is to be believed when it was named beforehand with its direction, is one of few looked at, and was "
    "seen in other studies (ICEMAN, Schandelmaier et al., CMAJ 2020;192:E901, from memory)."
)
#: The column of the groups in the model.
_GROUP = "group_of_patients"
_CUT = re.compile(r"\s*(\w+)\s+(-?\d+(?:\.\d+)?)\s*")


@dataclass(frozen=True, eq=False, repr=False)
class SubgroupDifferences(ResultWithNotes):
    """Differences by group at one week.

    Attributes
    ----------
    by : str
        The column of the patients.
    curves : RecoveryCurves
        The curves of all patients, whose model the groups enter.
    table : pandas.DataFrame
        group, protocol, reference, n, reference_n (patients seen at the week), estimate, std_error, df, lower, upper, p_value,
        level, method; missing in groups of few patients.
    interaction : pandas.DataFrame
        protocol ("all" for all together), statistic (F), df_numerator, df, p_value, method: whether the differences are the
        same in all groups.
    """

    by: str
    curves: RecoveryCurves
    table: pd.DataFrame
    interaction: pd.DataFrame

    def _headline(self) -> str:
        return f"{self.curves.measure.label} at {moment(self.curves.primary_week)}, differences by {self.by}"


def subgroup_differences(
    cohort: Cohort,
    measure: str,
    by: str,
    *,
    week: float | None = None,
    limb: str | None = None,
    reference: str | None = None,
    adjust_for: Sequence[str] | None = None,
    level: float = 0.95,
) -> SubgroupDifferences:
    """Compare protocols within groups of patients, and test whether the differences are the same.

    Parameters
    ----------
    cohort : Cohort
    measure : str
        A stored or derived measure.
    by : str
        A column of the patients with labels, or a column of numbers and where it is cut: ``"age_years 30"`` makes below 30 and
        30 or more.
    week, limb, reference, adjust_for
        As of :func:`analysis.curves.recovery.fit_recovery`.
    level : float
        Confidence level of each interval; none is adjusted for the number of groups.

    Returns
    -------
    SubgroupDifferences
        A row a group and protocol, and the tests of interaction.

    Raises
    ------
    ModelError
        The column is not known, has one or too many groups, or is a number without a cut; visits have no schedule; there is
        one protocol only; or the model cannot be fitted.

    Notes
    -----
    The model of the recovery curves with group by protocol by week; its covariance is that chosen for all patients. The
    interaction is an F test that the differences at the week are the same in all groups that are compared.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=240, seed=1).observed
    >>> found = subgroup_differences(cohort, "ikdc", "age_years 30", week=26)
    >>> found.table["group"].unique().tolist()
    ['below 30', '30 or more']
    """
    column, groups = groups_of_patients(cohort, by)
    curves = fit_recovery(cohort, measure, limb=limb, primary_week=week, reference=reference, adjust_for=adjust_for)
    if len(curves.protocols) == 1 or not curves.scheduled:
        raise ModelError(
            "Groups of patients are compared where two protocols or more have scheduled visits.",
            where=f"measure {measure!r}, {counted(len(curves.protocols), 'protocol')}",
            what_to_do="Give such a cohort, or map visits to a schedule first.",
        )
    frame = curves.frame.assign(**{_GROUP: curves.frame["patient_id"].map(groups)})
    lost = frame.loc[frame[_GROUP].isna(), "patient_id"].nunique()
    frame = frame[frame[_GROUP].notna()].reset_index(drop=True)
    frame[_GROUP] = pd.Categorical(frame[_GROUP], [str(one) for one in groups.cat.categories])
    sizes = _sizes(frame, curves)
    kept = [str(one) for one in sizes.index if (sizes.loc[one] >= FEWEST_IN_A_GROUP).all()]
    if len(kept) < 2:
        raise ModelError(
            f"Fewer than two groups of {column!r} have {FEWEST_IN_A_GROUP} patients of every protocol at the week.",
            where=f"patients at {moment(curves.primary_week)}: {_few(sizes)}",
            what_to_do="Join groups, or name another cut.",
        )
    model = _fit(frame[frame[_GROUP].isin(kept)], curves, kept)
    table, interaction = _compared(model, curves, kept, level)
    return SubgroupDifferences(
        by=column,
        curves=curves,
        table=_with_sizes(table, sizes, curves),
        interaction=interaction,
        notes=_notes(column, sizes, kept, lost),
    )


def groups_of_patients(cohort: Cohort, by: str) -> tuple[str, pd.Series]:
    """Give the column and the group of each patient, by identifier.

    Raises
    ------
    ModelError
        As of :func:`subgroup_differences`.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> groups_of_patients(generate_cohort(patients=30, seed=1).observed, "age_years 30")[1].cat.categories.tolist()
    ['below 30', '30 or more']
    """
    written = _CUT.fullmatch(by)
    column = written[1] if written and by not in cohort.patients else by
    where = f"by: {by!r}"
    if column not in cohort.patients or column in ("patient_id", "protocol"):
        raise ModelError(
            f"There is no column {column!r} of the patients to make groups by.",
            where=f"{where}; columns: {', '.join(str(one) for one in cohort.patients.columns[2:]) or 'none'}",
            what_to_do='Name one of them, a number with its cut: "age_years 30".',
        )
    values = cohort.patients.set_index("patient_id")[column]
    number = pd.api.types.is_numeric_dtype(values) and not pd.api.types.is_bool_dtype(values)
    if number != (written is not None and by not in cohort.patients):
        raise ModelError(
            f"{column!r} is a number and no cut is named." if number else f"{column!r} is no number, so it has no cut.",
            where=where,
            what_to_do=f'Name where it is cut: "{column} 30".' if number else "Name the column alone.",
        )
    if number and written:
        cut = float(written[2])
        labels = [f"below {cut:g}", f"{cut:g} or more"]
        known = values.astype("float64")
        made = pd.Series(np.where(known < cut, *labels), index=values.index).where(known.notna())
        groups: pd.Series = made.astype(pd.CategoricalDtype(labels))
    else:
        groups = values.astype("str").where(values.notna()).astype("category")
        if isinstance(values.dtype, pd.CategoricalDtype):
            groups = groups.cat.set_categories([str(one) for one in values.cat.categories])
    groups = groups.cat.remove_unused_categories()
    if not 2 <= len(groups.cat.categories) <= MOST_GROUPS:
        raise ModelError(
            f"{column!r} makes {counted(len(groups.cat.categories), 'group')} of the patients.",
            where=where,
            what_to_do=f"Groups are 2 to {MOST_GROUPS}: join labels, or name another cut.",
        )
    return column, groups


def _sizes(frame: pd.DataFrame, curves: RecoveryCurves) -> pd.DataFrame:
    at = frame[frame["week"] == curves.primary_week]
    counts = at.groupby([_GROUP, "protocol"], observed=False)["patient_id"].nunique().unstack(fill_value=0)
    return counts.reindex(columns=list(curves.protocols), fill_value=0)


def _fit(frame: pd.DataFrame, curves: RecoveryCurves, kept: list[str]) -> MixedModel:
    formula = curves.model.design.formula.replace("protocol * C(week)", f"protocol * C(week) * {_GROUP}")
    frame = frame.assign(**{_GROUP: pd.Categorical(frame[_GROUP].astype("str"), kept)}).reset_index(drop=True)
    one_week = len(frame["week"].unique()) == 1
    if one_week:
        formula = curves.model.design.formula.replace("protocol", f"protocol * {_GROUP}", 1)
    effects = (
        "1" if curves.model.terms.names else None
    )  # of scheduled visits there is a level of each patient, or nothing
    return fit_mixed(frame, formula, patient_effects=effects, residual=curves.model.residual)


def _compared(
    model: MixedModel, curves: RecoveryCurves, kept: list[str], level: float
) -> tuple[pd.DataFrame, pd.DataFrame]:
    grid, rows = mean_rows(model, ["protocol", _GROUP], [curves.primary_week])
    place = {(str(one), str(two)): k for k, (one, two) in enumerate(zip(grid["protocol"], grid[_GROUP], strict=True))}
    base, *others = curves.protocols
    contrasts = {
        name: np.array([rows[place[name, group]] - rows[place[base, group]] for group in kept]) for name in others
    }
    tables = [
        model.contrasts.estimates(contrasts[name], level).assign(group=kept, protocol=name, reference=base)
        for name in others
    ]
    apart = {name: one[1:] - one[:1] for name, one in contrasts.items()}
    tests = [model.contrasts.joint(one).assign(protocol=name) for name, one in apart.items()]
    if len(others) > 1:
        tests.append(model.contrasts.joint(np.concatenate(list(apart.values()))).assign(protocol="all"))
    return pd.concat(tables).assign(level=level, method=model.inference), pd.concat(tests, ignore_index=True)


def _with_sizes(table: pd.DataFrame, sizes: pd.DataFrame, curves: RecoveryCurves) -> pd.DataFrame:
    """Put the patients beside the estimates; groups of few patients have no estimate."""
    base, *others = curves.protocols
    cells = pd.DataFrame(
        [
            (str(group), name, base, int(sizes.loc[group, name]), int(sizes.loc[group, base]))
            for name in others
            for group in sizes.index
        ],
        columns=["group", "protocol", "reference", "n", "reference_n"],
    )
    columns = ["group", "protocol", "estimate", "std_error", "df", "lower", "upper", "p_value"]
    found = cells.merge(table[columns], on=["group", "protocol"], how="left")
    return found.assign(level=table["level"].iloc[0], method=table["method"].iloc[0])


def _few(sizes: pd.DataFrame) -> str:
    return "; ".join(f"{group} {', '.join(str(int(n)) for n in sizes.loc[group])}" for group in sizes.index)


def _notes(column: str, sizes: pd.DataFrame, kept: list[str], lost: int) -> tuple[str, ...]:
    few = [str(one) for one in sizes.index if str(one) not in kept]
    return (
        _BY_INTERACTION,
        "Groups divide the patients, so intervals are wide; none is adjusted for the number of groups.",
        _TO_BE_BELIEVED,
        *(
            [f"Not compared, as a protocol has fewer than {FEWEST_IN_A_GROUP} patients there: {', '.join(few)}."]
            if few
            else []
        ),
        *([f"Without a value of {column}, {counted(lost, 'patient')} in no group."] if lost else []),
    )
