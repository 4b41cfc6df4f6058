"""The fitted model in words, from its own record: data, mean, covariance, intervals, how the fit went."""

import re

import pandas as pd

from analysis.curves.covariates import adjusted_in_words
from analysis.curves.mixed_model import MixedModel
from analysis.curves.recovery import RecoveryCurves
from analysis.report.parts import numbers

#: Residual covariances and methods of inference, in words.
RESIDUALS = {
    "independent": "independent errors of equal variance",
    "by-week": "independent errors with a variance of their own at each week",
    "compound-symmetry": "errors equally correlated between all weeks (compound symmetry)",
    "ar1": "errors correlated between neighbouring visits (first-order autoregression)",
    "ar1-by-week": "errors correlated between neighbouring visits with a variance at each week",
    "exponential": "errors whose correlation decays with the weeks between visits",
    "toeplitz": "errors whose correlation depends on the number of visits between (Toeplitz)",
    "unstructured": "a variance at each week and a correlation for each pair of weeks, without any assumed pattern "
    "(unstructured)",
}
_COVARIANCE = re.compile(r"patient effects (.+), residual ([\w-]+)")
#: Names of the methods of intervals, as readers know them.
METHODS = {
    "kenward-roger": "Kenward-Roger",
    "kenward-roger-linear": "Kenward-Roger, linear",
    "satterthwaite": "Satterthwaite",
    "normal": "normal distribution",
    "robust": "sandwich estimator",
}
INFERENCE = {
    "kenward-roger": "Kenward and Roger (Biometrics 1997;53:983)",
    "kenward-roger-linear": "Kenward and Roger (Biometrics 1997;53:983), without second derivatives",
    "satterthwaite": "Satterthwaite",
    "normal": "the normal distribution, which is too narrow in small groups",
    "robust": "a sandwich estimator over patients",
}


def covariance_of_name(name: str) -> str:
    """Say in words what a covariance is, by the name that the choices of the curves have for it.

    Examples
    --------
    >>> covariance_of_name("patient effects 1, residual independent")
    'a level of its own for each patient, and independent errors of equal variance'
    """
    found = _COVARIANCE.fullmatch(name)
    if found is None or found[2] not in RESIDUALS:
        return name
    own = {"none": "", "1": "a level of its own for each patient, and "}
    return f"{own.get(found[1], 'a curve of its own for each patient, and ')}{RESIDUALS[found[2]]}"


def method_in_words(table: pd.DataFrame) -> str:
    """Name the methods of the intervals in a table of estimates (column method), as readers know them."""
    return numbers.listed([METHODS.get(str(method), str(method)) for method in dict.fromkeys(table["method"])])


def model_in_words(curves: RecoveryCurves) -> list[str]:
    """Describe the fitted model from its own record: data, mean, covariance, intervals, how the fit went."""
    model = curves.model
    likelihood = "restricted maximum likelihood" if model.method == "reml" else "maximum likelihood"
    weeks = (
        "weeks as categories, so that no shape of the curve is assumed"
        if curves.scheduled
        else "a smooth curve of the week (natural cubic spline), since visits had no schedule"
    )
    terms = [
        weeks if len(curves.protocols) == 1 else f"protocol by week, {weeks}",
        *(["the baseline value"] if curves.baseline_adjusted else []),
        *dict.fromkeys(adjusted_in_words([name]) for name in curves.covariates),
    ]
    when = numbers.moment(curves.primary_week)
    choices = [
        choice.replace("patient effects", "patient terms")
        for choice in curves.choices
        if not choice.startswith("Covariance within")
    ]
    return [
        (
            f"A linear mixed model for repeated visits was fitted to {numbers.count(model.n_visits)} visits of "
            f"{numbers.plural(model.n_patients, 'patient')} by {likelihood}. Its mean: {'; '.join(terms)}."
        ),
        f"Formula: {model.design.formula}.",
        *choices,
        _covariance_in_words(model),
        f"Degrees of freedom and intervals: {INFERENCE.get(model.inference, model.inference)}.",
        (
            "Missing visits are taken as missing at random: as depending on the patient's other visits and on what is "
            "in the model, not on the value that was missed. Nothing is imputed, and no last value is carried forward."
        ),
        f"Primary {when}: {curves.primary_week_rule.removeprefix(f'{when}, ')}.",
        _fit_in_words(model),
    ]


def _covariance_in_words(model: MixedModel) -> str:
    terms = model.terms.names
    if not terms:
        own = ""
    elif terms == ("Intercept",):
        own = "a level of its own for each patient, and "
    else:
        own = f"a curve of its own for each patient ({numbers.listed([name.lower() for name in terms])}), and "
    return f"Within the patient: {own}{RESIDUALS[model.residual]}."


def _fit_in_words(model: MixedModel) -> str:
    record = model.record
    went = "converged" if record.converged else "DID NOT CONVERGE"
    edge = " A variance lies at zero or a correlation at one, which is a valid answer." if record.boundary else ""
    notes = f" {' '.join(record.notes)}" if record.notes else ""
    return f"The fit {went} after {record.evaluations} evaluations.{edge}{notes}"
