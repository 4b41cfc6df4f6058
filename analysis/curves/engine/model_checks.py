"""What a model asks of the data, checked before the fit, with the simpler model to try."""

from __future__ import annotations

import numpy as np

from analysis.cohort.schedule import moment
from analysis.curves.covariances.covariance import Covariance
from analysis.curves.covariances.residual_structures import STRUCTURES, Residual
from analysis.curves.engine.identifiability import confounded
from analysis.curves.engine.likelihood import Likelihood
from analysis.curves.formula.design import Design
from analysis.curves.formula.patient_terms import PatientTerms, patient_terms
from analysis.curves.rows.moments import VisitMoments
from analysis.curves.rows.visit_rows import VisitRows
from analysis.errors import ModelError

_SAME_AS_INTERCEPT = {"compound-symmetry", "toeplitz"}
_WITHOUT_CORRELATION = {"independent", "by-week"}


def check_structure(
    design: Design,
    moments: VisitMoments,
    terms: PatientTerms,
    residual: Residual,
    rows: VisitRows | None,
    *,
    correlated: bool,
) -> None:
    """Check that the covariance can be told from these visits; what is given is as in ``fit_mixed``, read.

    Raises
    ------
    ModelError
        With what is missing and a simpler model.
    """
    structure = STRUCTURES.get(residual)
    if structure is None:
        raise ModelError(
            f"There is no residual structure {residual!r}.",
            where=f"structures: {', '.join(STRUCTURES)}",
            what_to_do="Use one of these.",
        )
    if structure.needs_order and moments.duplicates:
        raise ModelError(
            f"{moments.duplicates} rows repeat the week of their patient, and residual={residual!r} needs one visit a week.",
            where=_duplicate_places(rows),
            what_to_do="Keep one row of each patient and week, or use residual='independent' with patient effects.",
        )
    if structure.needs_schedule and not moments.scheduled and not moments.duplicates:
        raise ModelError(
            f"residual={residual!r} needs visits on a schedule, and these have {moments.distinct_weeks.size} different weeks.",
            where=f"weeks {_some(moments.distinct_weeks)}",
            what_to_do="Use residual='exponential' (by weeks between) or patient effects; or assign scheduled weeks first.",
        )
    _check_patient_effects(moments, terms, residual, correlated=correlated)
    if residual not in _WITHOUT_CORRELATION and int(moments.seen.sum(axis=1).max()) < 2:
        raise ModelError(
            f"Every patient has one visit, and nothing tells the correlations of residual={residual!r}.",
            where=f"{moments.n_patients} patients, {moments.n_visits} visits",
            what_to_do="Use residual='by-week' or 'independent', without patient effects.",
        )
    if residual == "unstructured":
        _check_pairs(moments)
    if residual == "toeplitz":
        _check_lags(moments)
    between = {column.label for column in design.columns if not column.by_visit}
    if moments.n_patients <= len(between):
        raise ModelError(
            f"{moments.n_patients} patients cannot tell {len(between)} patient covariates apart.",
            where=f"covariates: {', '.join(sorted(between))}",
            what_to_do="Leave covariates out of the formula, for example 'value ~ week'.",
        )


def check_size(design: Design, moments: VisitMoments, covariance: Covariance) -> None:
    """Check that there are enough patients and visits for the parameters.

    Raises
    ------
    ModelError
        With a simpler model.
    """
    parameters = covariance.size
    if moments.n_patients < parameters:
        simpler = "residual='ar1' or patient_effects='1'" if covariance.effects < 2 else "patient_effects='1'"
        raise ModelError(
            f"{moments.n_patients} patients are too few for {parameters} covariance parameters.",
            where=f"patient effects {covariance.effects}, residual parameters {len(covariance.residual.names)}",
            what_to_do=f"Use a covariance with fewer parameters: {simpler}.",
        )
    if moments.n_visits <= len(design.columns) + parameters:
        raise ModelError(
            f"{moments.n_visits} visits are too few for {len(design.columns)} fixed effects and {parameters} covariance parameters.",
            where=f"formula {design.formula}",
            what_to_do="Use a simpler formula, for example 'value ~ week', with patient_effects='1'.",
        )


def check_identified(
    likelihood: Likelihood, design: Design, terms: PatientTerms, residual: Residual, patient_effects: str | None
) -> None:
    """Check that these visits can tell the covariance parameters apart; the patient effects come read and as written.

    Raises
    ------
    ModelError
        With the parameters that cannot be told apart, and a simpler model whose parameters can.
    """
    unclear = confounded(likelihood)
    if not unclear:
        return
    covariance, grid = likelihood.covariance, likelihood.covariance.residual.grid
    names = [*terms.parameter_names(covariance.places), *covariance.residual.names]
    simpler: list[tuple[str | None, bool, Residual]] = [
        (patient_effects, False, residual), (patient_effects, True, "independent"), (None, True, residual),
        ("1", True, "independent"), (None, True, "compound-symmetry"), (None, True, "independent"),
    ]  # fmt: skip
    advice = "Use a simpler formula, for example 'value ~ week'"
    for effects, correlated, structure in simpler:
        own = terms if effects == patient_effects else patient_terms(design, effects, correlated=correlated)
        Z = covariance.Z if own is terms else np.ones((*grid.index.shape, len(own.names)))
        other = Covariance(Z, correlated and covariance.correlated, STRUCTURES[structure](grid))
        if other.size < covariance.size and not confounded(Likelihood(likelihood.basis, other, "reml")):
            advice = f"Use patient_effects={effects!r}, residual={structure!r}"
            if len(own.names) > 1 and not other.correlated:
                advice += ", correlated=False"
            break
    weeks = ", ".join(f"{week:g}" for week in grid.weeks[:8])
    raise ModelError(
        f"These visits cannot tell {' and '.join(names[place] for place in unclear[:4])} apart"
        + (" or from the fixed effects." if len(unclear) == 1 else "."),
        where=f"patient effects {' + '.join(terms.names) or 'none'}, residual={residual!r}, weeks {weeks}",
        what_to_do=f"{advice}.",
    )


def _check_patient_effects(moments: VisitMoments, terms: PatientTerms, residual: Residual, *, correlated: bool) -> None:
    count = len(terms.names)
    if not count:
        return
    if residual == "unstructured" or (residual in _SAME_AS_INTERCEPT and "Intercept" in terms.names):
        raise ModelError(
            f"residual={residual!r} already holds what the patient effects say; the two cannot be told apart.",
            where=f"patient effects {' + '.join(terms.names)}",
            what_to_do="Set patient_effects=None, or residual='independent'.",
        )
    if moments.duplicates:
        first = np.broadcast_to(moments.weeks, moments.seen.shape)
        seen_weeks = [np.unique(week[seen]).size for week, seen in zip(first, moments.seen, strict=True)]
        most_weeks = max(seen_weeks)
    else:
        most_weeks = int(moments.seen.sum(axis=1).max())
    most = int(moments.seen.sum(axis=1).max())
    if most < 2:
        raise ModelError(
            "Every patient has one visit; patient effects cannot be told from the residual.",
            where=f"{moments.n_patients} patients, {moments.n_visits} visits",
            what_to_do="Set patient_effects=None.",
        )
    if most < count + (1 if correlated else 0) or most_weeks < count:
        raise ModelError(
            f"No patient has more than {most} visits; {count} patient effects need at least {count + 1}.",
            where=f"patient effects {' + '.join(terms.names)}",
            what_to_do="Use patient_effects='1'.",
        )


def _check_pairs(moments: VisitMoments) -> None:
    seen = moments.seen.astype(np.float64)
    together = seen.T @ (seen * moments.counts[:, None])
    never = np.argwhere(np.tril(together == 0.0))
    if never.size:
        weeks = moments.distinct_weeks
        pairs = ", ".join(f"{weeks[b]:g} and {weeks[a]:g}" for a, b in never[:5])
        raise ModelError(
            "An unstructured residual needs every pair of weeks in some patient.",
            where=f"nobody was seen at both weeks {pairs}",
            what_to_do="Use residual='ar1-by-week' or 'toeplitz', or patient effects with residual='independent'.",
        )


def _check_lags(moments: VisitMoments) -> None:
    seen = moments.seen.astype(np.float64)
    together = seen.T @ (seen * moments.counts[:, None])
    gaps = [lag for lag in range(len(together)) if np.trace(together, offset=lag) == 0.0]
    if gaps:
        raise ModelError(
            "A Toeplitz residual needs every distance between visits in some patient.",
            where=f"nobody has two visits {gaps[0]} visits apart on the schedule",
            what_to_do="Use residual='ar1' or 'exponential'.",
        )


def _duplicate_places(rows: VisitRows | None) -> str:
    if rows is None:
        return "the moments"
    order = np.lexsort((rows.week, rows.patient))
    patient, week = rows.patient[order], rows.week[order]
    again = np.flatnonzero((patient[1:] == patient[:-1]) & (week[1:] == week[:-1]))
    return ", ".join(f"patient {rows.patient_ids[patient[k]]} {moment(week[k])}" for k in again[:5])


def _some(weeks: np.ndarray) -> str:
    shown = ", ".join(f"{week:g}" for week in weeks[:6])
    return shown + (", ..." if weeks.size > 6 else "")
