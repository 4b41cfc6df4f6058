"""Whether the finding hangs on who was missing, the error of measurement or the fit of the model: for the appendix."""

import pandas as pd

from analysis.outcomes import Endpoint, ProbabilityOfResponse, Responders
from analysis.outcomes.responders.states_together import TOGETHER
from analysis.outcomes.true_response.normality import LEVEL
from analysis.report.comparison.appendix.counted_or_expected import counted_or_expected
from analysis.report.comparison.findings.figure_words import analyses_words, shifts_words
from analysis.report.comparison.opening import HOW_TO_NAME
from analysis.report.comparison.results import Lacking
from analysis.report.comparison.study import Study
from analysis.report.figures.model_figures import quantile_figure, residual_figure
from analysis.report.figures.sensitivity_figures import analyses_figure, responder_analyses_table, tipping_figure
from analysis.report.parts import numbers
from analysis.report.parts.model_words import method_in_words
from analysis.report.parts.numbers import in_text, shown_decimals
from analysis.report.parts.passages import Item, Passage, Section, absent
from analysis.report.parts.tables import Column, Format, Table, level_of

#: What stands where no visit was missed; the section of missing data says what follows.
NOTHING_TO_FILL = "No visit was missed, so there is nothing to fill: see Missing data."


def sensitivity(study: Study) -> Section:
    """Show the comparison at the primary week under several assumptions about missing visits."""
    if study.nothing_missing:
        return Section((Passage((NOTHING_TO_FILL,)),))
    found = study.sensitivity
    if isinstance(found, Lacking):
        return Section((absent(found.what),))
    named = study.parameters["reference"] is not None or study.cohort.reference is not None
    items: list[Item] = [
        *_adjusted(study),
        *([] if named else [_no_reference()]),
        analyses_figure(found.analyses, told=analyses_words(study.found, study.measure)),
        Passage(found.analyses.notes, "items"),
        tipping_figure(found.tipping, told=shifts_words(study.found, study.measure)),
        Passage(found.tipping.notes, "items"),
    ]
    beside = found.responders
    if isinstance(beside, Lacking):
        items.append(absent(beside.what))
    elif len(beside.responders):
        items.append(responder_analyses_table(beside))
        items += [Passage(beside.notes, "items")] if beside.endpoint.measure.name == TOGETHER else []
    return Section((*items, *_other_baseline(study)))


def _other_baseline(study: Study) -> list[Item]:
    """Say what the differences at the primary week are with the baseline taken in the other way."""
    other, curves = study.other_baseline, study.curves
    if curves is None or isinstance(other, Lacking):
        return []
    decimals, percent = shown_decimals(study.measure), numbers.level_in_words(study.level)
    table = other.primary_differences(level=study.level)
    sizes = [
        f"{row['protocol']} {numbers.signed(row['estimate'], decimals)} ({numbers.interval(row['lower'], row['upper'], decimals)})"
        for row in table.to_dict("records")
    ]
    way = "as an outcome at week 0, with one mean of all protocols" if other.baseline_outcome else "as a covariate"
    held, before = other.model.n_patients, curves.model.n_patients
    in_place = "as before" if held == before else f"in place of {numbers.count(before)}"
    where = f"Differences from {curves.protocols[0]} at {numbers.moment(curves.primary_week)}"
    said = (
        f"With the baseline taken in {way}, the model holds {numbers.plural(held, 'patient')}, {in_place}. "
        f"{where} are then: {'; '.join(sizes)} {study.measure.unit}. "
        f"They have {percent} intervals by {method_in_words(table)}, not adjusted for their number (Liang & Zeger 2000; Lu 2010)."
    )
    return [Passage((said,))]


def _adjusted(study: Study) -> list[Passage]:
    """Say of several comparisons that the intervals are those that a verdict rests on."""
    if len(study.primary) < 2:
        return []
    each, together = map(numbers.level_in_words, (study.adjusted_level, study.level))
    comparisons = f"{len(study.primary)} comparisons, as in In short: each {each}, together {together}"
    return [Passage((f"Intervals of means here are adjusted for {comparisons}.",))]


def _no_reference() -> Passage:
    return absent(
        "which protocol is the reference, so the analyses that fill missing visits as if under the reference (jump to "
        f"reference, copy reference, copy increments in reference) are not run. To name it: {HOW_TO_NAME}."
    )


def model_checks(study: Study) -> Section:
    """Show the residuals of the recovery curves against week, fitted mean and the normal distribution."""
    if study.curves is None:
        return Section((absent(f"a model to be checked. {study.no_curves}"),))
    return Section((residual_figure(study.curves.model), quantile_figure(study.curves.model)))


def probability(study: Study) -> Section:
    """Show how many responders the model expects when error of measurement and missing visits are taken into account."""
    beside, found = study.counted_main, study.probability
    if isinstance(beside, Lacking):
        return Section((absent(beside.what),))
    if isinstance(found, Lacking):
        return Section((absent(found.what),))
    items: list[Item] = [*_normality_caution(found), _expected_table(found, beside)]
    if len(found.differences):
        items.append(_differences(found, beside))
        explained = counted_or_expected(found, beside)
        if explained is not None:
            items.append(explained)
    items.append(_disagreement(found, beside.endpoint))
    return Section(tuple(items))


def _normality_caution(found: ProbabilityOfResponse) -> list[Passage]:
    """Warn where normality is rejected, and say how far the version without it is from the normal model."""
    if not found.normality_rejected:
        return []
    parts = found.normality
    rejected = parts.loc[parts["adjusted_p_value"] < LEVEL, "part"].tolist()
    leans = (
        "The expected shares lean on a normal distribution of patients and visits, which a test at the 5 % level rejects for "
        f"{len(rejected)} of the {numbers.plural(len(parts), 'part')} tested: {numbers.listed(rejected)}."
    )
    if found.free_table.empty:
        return [
            Passage((leans, "No shares that do not lean on it can be given of a measure with a best value."), "caution")
        ]
    gaps = 100 * (found.patients["free_probability"] - found.patients["probability"]).abs()
    shares = 100 * (found.free_table["share"] - found.table["share"]).abs()
    beside = (
        "Beside them stand shares that do not lean on it. The probabilities of the "
        f"{numbers.plural(len(gaps), 'patient')} differ by {gaps.mean():.0f} percentage points on average and "
        f"{gaps.max():.0f} at most, the shares of the protocols by {shares.max():.0f} at most. Where the two disagree, "
        "believe neither without a look at the values. All else in this section is by the normal model."
    )
    return [Passage((leans, beside), "caution")]


def _expected_table(found: ProbabilityOfResponse, beside: Responders) -> Table:
    """Show expected responders by protocol beside those counted."""
    counted = beside.table.set_index("protocol")[["responders", "n"]].add_prefix("counted_")
    table = _beside(found.table, found.free_table, "share").merge(
        counted, left_on="protocol", right_index=True, how="left"
    )
    return Table(
        table,
        f"Responders expected in {in_text(beside.endpoint.measure.label)} at {numbers.moment(found.endpoint.week)}, when the error of "
        "measurement and missing visits are taken into account.",
        (
            Column("protocol", "Protocol"),
            Column("n", "Patients", "count"),
            Column("share", f"Expected share ({level_of(found.table)} interval)", "share with interval"),
            *_free_column(found, ("free_share", "free_lower", "free_upper"), "share with interval"),
            Column(("counted_responders", "counted_n"), "As counted", "fraction with share"),
        ),
        (_intervals(found), *found.notes),
        name="expected-responders",
    )


def _differences(found: ProbabilityOfResponse, beside: Responders) -> Table:
    return Table(
        _beside(found.differences, found.free_differences, "difference"),
        f"Difference in the expected share of responders from {beside.reference}.",
        (
            Column("protocol", "Protocol"),
            Column("difference", f"Percentage points ({level_of(found.table)} interval)", "points with interval"),
            *_free_column(found, ("free_difference", "free_lower", "free_upper"), "points with interval"),
        ),
        (_intervals(found),),
        name="expected-differences",
    )


def _beside(table: pd.DataFrame, free: pd.DataFrame, value: str) -> pd.DataFrame:
    """Put the version without the normal distribution beside, where it was made."""
    return table if free.empty else table.join(free[[value, "lower", "upper"]].add_prefix("free_"))


def _free_column(found: ProbabilityOfResponse, names: tuple[str, ...], form: Format) -> list[Column]:
    if found.free_table.empty:
        return []
    return [Column(names, "Without the normal distribution", form)]


def _intervals(found: ProbabilityOfResponse) -> str:
    methods = [str(one["method"].iloc[0]) for one in (found.table, found.free_table) if len(one)]
    return f"Intervals: {'; without the normal distribution, '.join(methods)}."


def _disagreement(found: ProbabilityOfResponse, endpoint: Endpoint) -> Table:
    what = "value" if endpoint.criterion == "state" else "change"
    return Table(
        found.disagreement,
        f"How often the yes or no of one measured {what} would be wrong, as the model expects.",
        (
            Column("protocol", "Protocol"),
            Column("n", "Patients with a yes or no", "count"),
            Column("expected_wrong", "Expected wrong", "share"),
            Column("raw_yes_unlikely", "Counted as responders, probability under a half", "count"),
            Column("raw_no_likely", "Not counted, probability of a half or more", "count"),
        ),
        (endpoint.denominator,),
        name="disagreement",
    )
