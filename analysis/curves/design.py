"""Fixed-effect columns as week functions times patient columns, from an ordinary formula."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from formulaic import Formula, ModelSpec
from numpy.typing import NDArray

from analysis.curves.factors import CategoryFactor, EvaluatedFactor, Factor, build_factor, level_codes, levels_of
from analysis.curves.moments import Covariate, Scope, VisitMoments, gather_moments
from analysis.curves.visit_rows import VisitRows, read_rows
from analysis.curves.week_functions import WeekFunctions
from analysis.errors import ModelError

_CHECKED_ROWS = 24


@dataclass(frozen=True)
class Column:
    """One column of the design: the product of one encoded column of each factor of its term.

    Parameters
    ----------
    name, term : str
        As formulaic names them.
    parts : tuple of (str, str)
        Factor and encoded column of each factor.
    label : str
        The patient or visit column of u that it multiplies.
    by_visit : bool
        Whether ``label`` is a visit column.
    week_parts : tuple of (str, str)
        The parts that vary with the week only; their product is the week function.
    """

    name: str
    term: str
    parts: tuple[tuple[str, str], ...]
    label: str
    by_visit: bool
    week_parts: tuple[tuple[str, str], ...]


@dataclass(frozen=True, eq=False)
class Design:
    """The fixed effects of a model.

    Parameters
    ----------
    formula : str
        As the user wrote it.
    outcome, week, patient : str
        Columns of the data.
    columns : tuple of Column
        In the order of formulaic.
    factors : mapping of str to Factor
        By expression.
    covariates : mapping of str to Covariate
        The columns of the data that it reads, without the week.
    weeks : ndarray
        The distinct weeks of the data.
    functions : WeekFunctions
        The week functions, with their knots.
    """

    formula: str
    outcome: str
    week: str
    patient: str
    columns: tuple[Column, ...]
    factors: Mapping[str, Factor]
    covariates: Mapping[str, Covariate]
    weeks: NDArray[np.float64]
    functions: WeekFunctions

    @property
    def names(self) -> list[str]:
        """The names of the columns."""
        return [column.name for column in self.columns]

    def matrix(self, frame: pd.DataFrame) -> NDArray[np.float64]:
        """Give the design rows of a frame that has the week and the covariates.

        Parameters
        ----------
        frame : DataFrame
            Rows with the columns that the formula reads.

        Returns
        -------
        ndarray, shape (rows, columns)
        """
        absent = [name for name in (self.week, *self.covariates) if name not in frame.columns and self._reads(name)]
        if absent:
            raise ModelError(
                f"The rows have no column {', '.join(map(repr, absent))}.",
                where=f"formula {self.formula}",
                what_to_do="Add the columns that the formula reads.",
            )
        return self._multiply(self._encode(frame, self.factors), [column.parts for column in self.columns], len(frame))

    def week_columns(self, weeks: NDArray[np.float64]) -> NDArray[np.float64]:
        """Give the week function of each column at some weeks, shape (weeks, columns)."""
        flat = weeks.reshape(-1)
        used = {name for column in self.columns for name, _ in column.week_parts}
        encoded = self._encode(self.week_frame(flat), {name: self.factors[name] for name in used})
        return self._multiply(encoded, [column.week_parts for column in self.columns], flat.size)

    def week_frame(self, weeks: NDArray[np.float64]) -> pd.DataFrame:
        """Give a frame of weeks, with the columns of the data that vary with the week only."""
        return _week_frame(self.week, weeks, self.weeks, self.covariates)

    def _reads(self, name: str) -> bool:
        return any(name in factor.variables for factor in self.factors.values())

    @staticmethod
    def _encode(frame: pd.DataFrame, factors: Mapping[str, Factor]) -> dict[str, dict[str, NDArray[np.float64]]]:
        return {expression: factor.encode(frame) for expression, factor in factors.items()}

    @staticmethod
    def _multiply(
        encoded: Mapping[str, Mapping[str, NDArray[np.float64]]], products: list[tuple[tuple[str, str], ...]], rows: int
    ) -> NDArray[np.float64]:
        matrix = np.ones((rows, len(products)))
        for number, parts in enumerate(products):
            for expression, name in parts:
                matrix[:, number] *= encoded[expression][name]
        return matrix


def _week_frame(
    week: str, at: NDArray[np.float64], weeks: NDArray[np.float64], covariates: Mapping[str, Covariate]
) -> pd.DataFrame:
    frame = pd.DataFrame({week: at})
    for covariate in covariates.values():
        if covariate.scope == "week" and covariate.by_week is not None:
            place = np.minimum(np.searchsorted(weeks, at), weeks.size - 1)
            strange = np.flatnonzero(weeks[place] != at)
            if strange.size:
                raise ModelError(
                    f"{covariate.name} is not known at week {at[strange[0]]:g}.",
                    where=f"column {covariate.name}, which is known at the weeks of the data only",
                    what_to_do="Ask for weeks of the data, or write the formula with the week itself.",
                )
            values = np.asarray(covariate.by_week)[place]
            frame[covariate.name] = (
                values if covariate.levels is None else pd.Categorical(values, list(covariate.levels))
            )
    return frame


def parse_formula(fixed: str, known: list[str]) -> tuple[Formula, str]:
    """Parse a formula into its right-hand side and the name of the outcome.

    Parameters
    ----------
    fixed : str
        For example ``"value ~ protocol * week_spline + baseline"``.
    known : list of str
        Columns of the data.

    Returns
    -------
    tuple of Formula and str

    Raises
    ------
    ModelError
        Where it cannot be parsed, or has no outcome.
    """
    advice = "Write it like 'value ~ protocol * week_spline + baseline'."
    try:
        parsed = Formula(fixed)
    except Exception as error:
        raise ModelError(f"The formula cannot be read: {error}", where=repr(fixed), what_to_do=advice) from error
    if not hasattr(parsed, "lhs") or not hasattr(parsed, "rhs"):
        raise ModelError("The formula has no outcome.", where=repr(fixed), what_to_do=advice)
    left = [str(term) for term in parsed.lhs]
    if len(left) != 1 or left[0].strip("`") not in known:
        raise ModelError(
            "The outcome of the formula must be one column of the data.",
            where=f"outcome {' + '.join(left)}",
            what_to_do="Compute a transformed outcome as a column first.",
        )
    return parsed.rhs, left[0].strip("`")


def design_from_rows(
    data: pd.DataFrame, fixed: str, *, patient: str, week: str
) -> tuple[Design, VisitRows, VisitMoments]:
    """Read the rows, sort the factors of the formula, and gather the moments.

    Parameters
    ----------
    data : DataFrame
        One row a visit.
    fixed : str
        The formula.
    patient, week : str
        Columns of the patient and the week.

    Returns
    -------
    tuple of Design, VisitRows and VisitMoments

    Raises
    ------
    ModelError
        For data or a formula that cannot be used.
    """
    formula, outcome = parse_formula(fixed, list(map(str, data.columns)))
    mentioned = _mentioned(formula, set(map(str, data.columns)))
    rows = read_rows(data, outcome=outcome, variables=mentioned, patient=patient, week=week)
    covariates = {name: _describe(rows, name) for name in mentioned if name != week}
    frames: dict[Scope, pd.DataFrame] = {
        "week": _week_frame(week, rows.weeks, rows.weeks, covariates),
        "patient": rows.frame.iloc[rows.first_row],
        "visit": rows.frame,
    }
    sample = rows.frame.iloc[np.unique(np.linspace(0, len(rows.frame) - 1, _CHECKED_ROWS).astype(np.int64))]
    design = _build(fixed, formula, outcome, week, patient, covariates, rows.weeks, frames, sample)
    patient_columns = _patient_columns(design, frames["patient"])
    visit_columns = _visit_columns(design, rows.frame)
    moments = gather_moments(
        rows,
        outcome=outcome,
        week=week,
        patient=patient,
        covariates=list(covariates.values()),
        patient_columns=patient_columns,
        visit_columns=visit_columns,
    )
    return design, rows, moments


def visit_moments(data: pd.DataFrame, fixed: str, *, patient: str = "patient_id", week: str = "week") -> VisitMoments:
    """Read visits once into moments, for fits, sums and files.

    Parameters
    ----------
    data : DataFrame
        One row a visit.
    fixed : str
        A formula with the outcome and every covariate that later fits will use. Interactions with the week need not be in it;
        interactions of covariates with each other do.
    patient, week : str
        Columns of the patient and the week.

    Returns
    -------
    VisitMoments
        To be given to ``fit_mixed`` in place of the data.

    Examples
    --------
    >>> import pandas as pd
    >>> visits = pd.DataFrame({
    ...     "patient_id": [1, 1, 2, 2], "week": [0, 6, 0, 6], "value": [50.0, 61, 40, 55], "age": [30, 30, 41, 41]
    ... })
    >>> visit_moments(visits, "value ~ week + age")
    VisitMoments of value: 2 patients, 4 visits, 1 patterns over 2 slots
    """
    return design_from_rows(data, fixed, patient=patient, week=week)[2]


def design_from_moments(moments: VisitMoments, fixed: str) -> Design:
    """Sort the factors of a formula by the covariates that moments were gathered with.

    Parameters
    ----------
    moments : VisitMoments
        The moments.
    fixed : str
        A formula of the same outcome and of columns that the moments hold.

    Returns
    -------
    Design

    Raises
    ------
    ModelError
        Where the formula needs a column that the moments do not hold.
    """
    covariates = {covariate.name: covariate for covariate in moments.covariates}
    known = [moments.outcome, moments.week, *covariates]
    formula, outcome = parse_formula(fixed, known)
    if outcome != moments.outcome:
        raise ModelError(
            f"The moments are of {moments.outcome!r}, not of {outcome!r}.",
            where=f"formula {fixed}",
            what_to_do="Gather moments of that outcome.",
        )
    sample = _skeleton(moments, covariates)
    frames: dict[Scope, pd.DataFrame] = {
        "week": _week_frame(moments.week, moments.distinct_weeks, moments.distinct_weeks, covariates),
        "patient": sample,
        "visit": sample,
    }
    design = _build(
        fixed, formula, outcome, moments.week, moments.patient, covariates, moments.distinct_weeks, frames, sample
    )
    for factor in design.factors.values():
        if isinstance(factor, EvaluatedFactor) and factor.scope != "week" and any(factor.state[0].values()):
            raise ModelError(
                f"{factor.expression} learns from the patients, and moments do not hold them.",
                where=f"formula {fixed}",
                what_to_do="Compute it as a column of the data before the moments are gathered.",
            )
    held = {*moments.patient_labels, *moments.visit_labels}
    missing = [column.label for column in design.columns if column.label not in held]
    if missing:
        raise ModelError(
            f"The moments do not hold {', '.join(dict.fromkeys(missing))}.",
            where=f"they hold {', '.join(moments.patient_labels + moments.visit_labels)}",
            what_to_do="Gather them again with a formula that has these covariates and their interactions.",
        )
    return design


def _mentioned(formula: Formula, known: set[str]) -> list[str]:
    from analysis.curves.factors import variables_of

    names: list[str] = []
    for term in formula:
        for factor in term.factors:
            names.extend(variables_of(factor, known))
            if factor.eval_method.value == "lookup" and factor.expr not in known and factor.expr != "week_spline":
                raise ModelError(
                    f"The data have no column {factor.expr!r}.",
                    where="the formula",
                    what_to_do="Correct the name, or add the column to the data.",
                )
    return sorted(dict.fromkeys(names))


def _describe(rows: VisitRows, name: str) -> Covariate:
    """Find what a column varies with."""
    column = rows.frame[name]
    levels = levels_of(column)
    scope: Scope = "patient"
    by_week = None
    if rows.varies_within_patient(name):
        if name == "protocol":
            _refuse_two_protocols(rows)
        values = rows.values_by_week(name)
        scope = "visit" if values is None else "week"
        if values is not None:
            by_week = tuple(map(str, values)) if levels is not None else tuple(map(float, values))
    mean = float("nan")
    if levels is None:
        at = column if scope == "visit" else column.iloc[rows.first_row]
        mean = float(np.mean(at.to_numpy(dtype=np.float64)))
    return Covariate(name, scope, levels, mean, by_week)


def _refuse_two_protocols(rows: VisitRows) -> None:
    codes = pd.factorize(rows.frame["protocol"])[0]
    strange = np.unique(rows.patient[codes != codes[rows.first_row][rows.patient]])
    raise ModelError(
        f"{strange.size} patient{'s are' if strange.size > 1 else ' is'} in two protocols.",
        where=f"patients {', '.join(map(str, rows.patient_ids[strange[:5]]))}",
        what_to_do="Give each patient one protocol (as assigned), or call the column something else if it changes by visit.",
    )


def _skeleton(moments: VisitMoments, covariates: Mapping[str, Covariate]) -> pd.DataFrame:
    """Make rows that hold every level and week, for the structure of the formula only."""
    count = max([_CHECKED_ROWS, moments.distinct_weeks.size, *(len(c.levels or ()) for c in covariates.values())])
    turn = np.arange(count)
    frame = pd.DataFrame({moments.week: np.resize(moments.distinct_weeks, count)})
    for number, covariate in enumerate(covariates.values()):
        if covariate.levels is not None:
            levels = list(covariate.levels)
            frame[covariate.name] = pd.Categorical.from_codes((turn + turn // (number + 2)) % len(levels), levels)
        else:
            spread = np.where(turn % (number + 2) == 0, 1.0, 1.25)
            frame[covariate.name] = spread * (covariate.mean if np.isfinite(covariate.mean) and covariate.mean else 1.0)
    return frame


def _build(
    fixed: str,
    formula: Formula,
    outcome: str,
    week: str,
    patient: str,
    covariates: Mapping[str, Covariate],
    weeks: NDArray[np.float64],
    frames: Mapping[Scope, pd.DataFrame],
    sample: pd.DataFrame,
) -> Design:
    functions = WeekFunctions(weeks)
    factors: dict[str, Factor] = {}
    for term in formula:
        for parsed in term.factors:
            if parsed.eval_method.value != "literal" and parsed.expr not in factors:
                factors[parsed.expr] = build_factor(
                    parsed, week=week, covariates=covariates, frames=frames, functions=functions
                )
    sample = _with_levels(sample, covariates)
    encoded = Design._encode(sample, factors)  # noqa: SLF001
    matrix = _formulaic_matrix(formula, factors, sample, functions, week)
    columns: list[Column] = []
    for structure in matrix.model_spec.structure:
        expressions = [factor.expr for factor in structure.term.factors if factor.eval_method.value != "literal"]
        products = {
            ":".join(chosen): tuple(zip(used, chosen, strict=True))
            for size in range(len(expressions) + 1)
            for used in itertools.combinations(expressions, size)
            for chosen in itertools.product(*(encoded[expression] for expression in used))
        }
        for name in structure.columns:
            parts = products.get(name if name != "Intercept" else "")
            if parts is None:
                raise ModelError(
                    f"The column {name} of the formula cannot be taken apart.",
                    where=f"term {structure.term}",
                    what_to_do="Compute the term as a column of the data first.",
                )
            columns.append(_column(name, str(structure.term), parts, factors))
    if not columns:
        raise ModelError("The formula has no fixed effect.", where=fixed, what_to_do="Write at least 'value ~ 1'.")
    design = Design(fixed, outcome, week, patient, tuple(columns), factors, covariates, weeks, functions)
    _check(design, sample, matrix)
    return design


def _formulaic_matrix(
    formula: Formula, factors: Mapping[str, Factor], sample: pd.DataFrame, functions: WeekFunctions, week: str
) -> pd.DataFrame:
    """Let formulaic build the design of a few rows, with what the factors learned from all."""
    transforms: dict[str, object] = {}
    encoders: dict[str, object] = {}
    for factor in factors.values():
        transforms.update(factor.state[0])
        encoders.update(factor.state[1])
    context = dict(functions.context())
    if "week_spline" in factors:
        context["week_spline"] = functions.week_spline(sample[week].to_numpy(dtype=np.float64))
    spec = ModelSpec(formula=formula, transform_state=transforms, encoder_state=encoders, na_action="ignore")
    matrix: pd.DataFrame = spec.get_model_matrix(sample, context=context)
    return matrix


def _with_levels(sample: pd.DataFrame, covariates: Mapping[str, Covariate]) -> pd.DataFrame:
    changed = {
        name: pd.Categorical.from_codes(level_codes(sample[name], covariate.levels), list(covariate.levels))
        for name, covariate in covariates.items()
        if covariate.levels is not None
    }
    return sample.assign(**changed)


def _column(name: str, term: str, parts: tuple[tuple[str, str], ...], factors: Mapping[str, Factor]) -> Column:
    week_parts = tuple(part for part in parts if factors[part[0]].scope == "week")
    rest = [part for part in parts if factors[part[0]].scope != "week"]
    label = ":".join(
        encoded.replace("[T.", "[", 1) if isinstance(factors[expression], CategoryFactor) else encoded
        for expression, encoded in rest
    )
    by_visit = any(factors[expression].scope == "visit" for expression, _ in rest)
    return Column(name, term, parts, label or "1", by_visit, week_parts)


def _check(design: Design, sample: pd.DataFrame, matrix: pd.DataFrame) -> None:
    """Compare the columns with formulaic's own on a few rows."""
    mine, theirs = design.matrix(sample), matrix.to_numpy(dtype=np.float64)
    if not np.allclose(mine, theirs, rtol=1e-9, atol=1e-12, equal_nan=True):
        worst = design.names[int(np.nanargmax(np.abs(mine - theirs).max(axis=0)))]
        raise ModelError(
            f"The column {worst} came out differently from formulaic's own.",
            where=f"formula {design.formula}",
            what_to_do="Compute the term as a column of the data first, and report this formula.",
        )


def _patient_columns(design: Design, frame: pd.DataFrame) -> dict[str, NDArray[np.float64]]:
    """Evaluate the patient columns: those of the formula, and every level of its categories."""
    encoded = {name: factor.encode(frame) for name, factor in design.factors.items() if factor.scope == "patient"}
    columns: dict[str, NDArray[np.float64]] = {}
    for name, factor in design.factors.items():
        if isinstance(factor, CategoryFactor) and factor.scope == "patient":
            columns.update({f"{name}[{level}]": encoded[name][f"{name}[{level}]"] for level in factor.levels})
    for column in design.columns:
        if not column.by_visit and column.label != "1" and column.label not in columns:
            values = np.ones(len(frame))
            for expression, part in column.parts:
                if design.factors[expression].scope == "patient":
                    values = values * encoded[expression][part]
            columns[column.label] = values
    return columns


def _visit_columns(design: Design, frame: pd.DataFrame) -> dict[str, NDArray[np.float64]]:
    """Evaluate the columns that change by visit, row by row."""
    wanted = [column for column in design.columns if column.by_visit]
    used = {part[0] for column in wanted for part in column.parts if part not in column.week_parts}
    encoded = {name: design.factors[name].encode(frame) for name in used}
    columns: dict[str, NDArray[np.float64]] = {}
    for column in wanted:
        values = np.ones(len(frame))
        for part in column.parts:
            if part not in column.week_parts:
                values = values * encoded[part[0]][part[1]]
        columns[column.label] = values
    return columns
