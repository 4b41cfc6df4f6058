"""Sentences of the reports: the model and how its fit went, methods, cautions, several comparisons."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from analysis.report.parts import numbers
from analysis.report.parts.numbers import in_text, shown_decimals

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

    from analysis.curves.mixed_model import MixedModel
    from analysis.curves.recovery import RecoveryCurves
    from analysis.outcomes.responders.responders import Responders

Allocation = Literal["randomised", "observational"]

FOR_GROUPS = "This report describes groups of patients and recommends nothing for a patient."
DEFERS = (
    "What is right for a patient is decided by the treating clinician, within the instructions of the device in use, "
    "local law, and what the ethics board has approved."
)
NOT_ALLOCATED = (
    "The patients were not allocated to the protocols at random, or the data do not say that they were. A difference "
    "between protocols is an association: the groups may differ in other ways that this comparison does not take out."
)
INVENTED = "Invented cohort: no number in this report is a finding about any treatment."

#: A protocol with fewer patients than this gets a caution (design choice).
FEW_PATIENTS = 20
#: Letters of the title of a slide that stay within two lines.
TITLE_LETTERS = 84
#: More protocols than this are counted, or named by the lowest and the highest.
MOST_LISTED = 4

_RESIDUALS = {
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
#: Names of the methods of intervals, as readers know them.
METHODS = {
    "kenward-roger": "Kenward-Roger",
    "kenward-roger-linear": "Kenward-Roger, linear",
    "satterthwaite": "Satterthwaite",
    "normal": "normal distribution",
    "robust": "sandwich estimator",
}
_INFERENCE = {
    "kenward-roger": "Kenward and Roger (Biometrics 1997;53:983)",
    "kenward-roger-linear": "Kenward and Roger (Biometrics 1997;53:983), without second derivatives",
    "satterthwaite": "Satterthwaite",
    "normal": "the normal distribution, which is too narrow in small groups",
    "robust": "a sandwich estimator over patients",
}


def made_in_words(stamp: str) -> str:
    """Say when a report was made and what it is not for; the last line of every form, also of one patient's page.

    Parameters
    ----------
    stamp : str
        When it was made.

    Examples
    --------
    >>> made_in_words("2026-01-01")
    'Made 2026-01-01 with kneecurve. It shows what was measured and recommends nothing for a patient.'
    """
    return f"Made {stamp} with kneecurve. It shows what was measured and recommends nothing for a patient."


def named_or_counted(said: Sequence[str], of: int) -> str:
    """Name protocols with what is said of each, or where there are many count them.

    Parameters
    ----------
    said : sequence of str
        Names.
    of : int
        How many protocols there are.

    Examples
    --------
    >>> named_or_counted(["early (9)", "late (7)"], 3), named_or_counted(["a"] * 5, 9), named_or_counted(["a"] * 9, 9)
    ('early (9) and late (7)', '5 of the 9 protocols', 'all 9 protocols')
    """
    if len(said) <= MOST_LISTED:
        return numbers.listed(list(said))
    return f"all {of} protocols" if len(said) == of else f"{len(said)} of the {of} protocols"


def counts_by_protocol(counts: Sequence[tuple[str, int, int]], *, room: int) -> str:
    """Name protocols with their counts, or where that is longer than the room of a title, the range of the shares.

    Parameters
    ----------
    counts : sequence of (str, int, int)
        Protocol, part and whole.
    room : int
        Letters.

    Examples
    --------
    >>> counts_by_protocol([("usual", 9, 30), ("early", 6, 30)], room=40)
    'usual 9/30, early 6/30'
    >>> counts_by_protocol([("usual", 9, 30), ("early", 6, 30)], room=20)
    '20 to 30 % of the patients of a protocol'
    """
    said = ", ".join(f"{name} {numbers.fraction(part, of)}" for name, part, of in counts)
    if len(said) <= room:
        return said
    return f"{numbers.share_range([part / of for _, part, of in counts if of])} of the patients of a protocol"


def mean_sentence(curves: RecoveryCurves, *, level: float) -> str:
    """Say where the single protocol of a cohort stands at the primary week.

    Parameters
    ----------
    curves : RecoveryCurves
        The fit of one protocol.
    level : float
        Confidence level.
    """
    at = curves.means(level=level)
    row = at[(at["week"] - curves.primary_week).abs() < 1e-9].iloc[0]
    decimals = shown_decimals(curves.measure)
    return (
        f"All patients followed one protocol, {curves.protocols[0]}, so nothing is compared. At week "
        f"{numbers.week(curves.primary_week)} mean {in_text(curves.measure.label)} was "
        f"{numbers.number(row['estimate'], decimals)} {curves.measure.unit} ({numbers.level_in_words(level)} interval "
        f"{numbers.interval(row['lower'], row['upper'], decimals)})."
    )


def multiplicity_sentence(n_comparisons: int) -> str:
    """Say what several comparisons at the primary week mean for their intervals.

    Examples
    --------
    >>> multiplicity_sentence(2).partition(".")[0]
    'There are 2 comparisons at the primary week'
    """
    return (
        f"There are {n_comparisons} comparisons at the primary week. The intervals of In short are adjusted for that, and the "
        "table of the primary week gives them beside those that are not. Other weeks are secondary."
    )


def method_in_words(table: pd.DataFrame) -> str:
    """Name the methods of the intervals in a table of estimates, as readers know them.

    Parameters
    ----------
    table : pandas.DataFrame
        With a column method.
    """
    return numbers.listed([METHODS.get(str(method), str(method)) for method in dict.fromkeys(table["method"])])


def model_in_words(curves: RecoveryCurves) -> list[str]:
    """Describe the fitted model from its own record.

    Parameters
    ----------
    curves : RecoveryCurves
        The fit.

    Returns
    -------
    list of str
        Sentences: data, mean, covariance, intervals, how the fit went.
    """
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
        *curves.covariates,
    ]
    week = numbers.week(curves.primary_week)
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
        f"Degrees of freedom and intervals: {_INFERENCE.get(model.inference, model.inference)}.",
        (
            "Missing visits are taken as missing at random: as depending on the patient's other visits and on what is "
            "in the model, not on the value that was missed. Nothing is imputed, and no last value is carried forward."
        ),
        f"Primary week {week}: {curves.primary_week_rule.removeprefix(f'week {week}, ')}.",
        _fit_in_words(model),
    ]


def cautions(
    *,
    allocation: Allocation,
    invented: bool,
    sizes: dict[str, int],
    missing: dict[str, tuple[int, int]],
    responders: Sequence[Responders],
) -> list[str]:
    """List what the report must not be used for.

    Parameters
    ----------
    allocation : {"randomised", "observational"}
        Whether patients were allocated at random.
    invented : bool
        Whether the cohort is invented.
    sizes : dict
        Patients by protocol: those seen at the primary week where that is known.
    missing : dict
        Patients missing at the primary week and all, by protocol; empty where unknown.
    responders : sequence of Responders
        Responder analyses shown.

    Returns
    -------
    list of str
        Sentences.
    """
    said = [FOR_GROUPS, DEFERS]
    if invented:
        said.insert(0, INVENTED)
    if allocation == "observational" and len(sizes) > 1:
        said.append(NOT_ALLOCATED)
    few = [f"{name} ({n})" for name, n in sizes.items() if n < FEW_PATIENTS]
    if few:
        said.append(
            f"Few patients: {named_or_counted(few, len(sizes))}. Intervals are wide, and single patients can turn a result "
            "round."
        )
    gaps = [f"{name} {numbers.fraction(n, of)}" for name, (n, of) in missing.items() if n]
    if gaps:
        said.append(
            f"Missing at the primary week: {named_or_counted(gaps, len(missing))}. If those who were not seen did worse or "
            "better than the model expects, the result is off by an unknown amount."
        )
    if any(found.endpoint.to_reach.name == "minimal detectable change" for found in responders):
        said.append(
            "A minimal detectable change is what exceeds the error of measurement in one patient. It does not say that "
            "the change matters."
        )
    if responders:
        said.append(
            "A threshold is for the change within one patient; it is no yardstick for the difference between the means "
            "of two groups. Counting responders throws away information: read the means first."
        )
    said.append("A difference between the means of groups does not tell how one patient would fare.")
    return said


def first_cautions(said: Sequence[str]) -> tuple[str, ...]:
    """Choose what a slide holds of cautions, so that it is read: four, the standing ones, then those of these data.

    Parameters
    ----------
    said : sequence of str
        As :func:`cautions` gives them.

    Examples
    --------
    >>> first_cautions([FOR_GROUPS, DEFERS, NOT_ALLOCATED, "Few patients: early (9).", "A difference ..."])[2:]
    ('Few patients: early (9).', 'The patients were not allocated to the protocols at random, or the data do not say that they were.')
    """
    standing = [text for text in said if text in (INVENTED, FOR_GROUPS, DEFERS)]
    own = [text for text in said if text.startswith(("Few patients", "Missing at"))]
    own += [f"{NOT_ALLOCATED.partition('. ')[0]}."] if NOT_ALLOCATED in said else []
    rest = [text for text in said if text not in (*standing, *own, NOT_ALLOCATED)]
    return tuple([*standing, *own, *rest][:4])


def _covariance_in_words(model: MixedModel) -> str:
    terms = model.terms.names
    if not terms:
        own = ""
    elif terms == ("Intercept",):
        own = "a level of its own for each patient, and "
    else:
        own = f"a curve of its own for each patient ({numbers.listed([name.lower() for name in terms])}), and "
    return f"Within the patient: {own}{_RESIDUALS[model.residual]}."


def _fit_in_words(model: MixedModel) -> str:
    record = model.record
    went = "converged" if record.converged else "DID NOT CONVERGE"
    edge = " A variance lies at zero or a correlation at one, which is a valid answer." if record.boundary else ""
    notes = f" {' '.join(record.notes)}" if record.notes else ""
    return f"The fit {went} after {record.evaluations} evaluations.{edge}{notes}"
