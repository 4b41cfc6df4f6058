"""Findings, impossible and unlikely values, and digit preference."""

import pandas as pd

from analysis import quality
from analysis.outcomes.patients.limits import limit_values
from analysis.quality.unlikely_changes import FEWEST_FOR_A_TREND
from analysis.report.parts import numbers
from analysis.report.parts.indicator_numbers import HIDDEN, HIDDEN_NOTE
from analysis.report.parts.numbers import in_text
from analysis.report.parts.passages import Item, Passage, Section, absent
from analysis.report.parts.tables import Column, Table
from analysis.report.quality.figures import digit_figure
from analysis.report.quality.study import QualityStudy, recorded

#: Findings listed in the report; all of them are in the files for the sites.
MOST_LISTED = 20
#: Below this p the last digits are called uneven (design choice: ten measures at ten sites are a hundred tests).
_UNEVEN = 0.001


def findings(study: QualityStudy) -> Section:
    """Count the findings by kind and site, and list them where single patients may be shown."""
    all_of_them = study.findings
    if all_of_them.empty:
        return Section((Passage(("Nothing was found.",)),))
    kinds = all_of_them.assign(kind=_kind(all_of_them))
    kinds["site"] = kinds["site"].where(kinds["site"] != "", "no site")
    counts = (
        kinds.groupby(["severity", "kind"], sort=False)
        .agg(
            findings=("kind", "size"),
            patients=("patient_id", lambda ids: len(set(ids) - {""})),
            sites=("site", lambda sites: ", ".join(f"{site}: {n}" for site, n in sites.value_counts().items())),
        )
        .reset_index()
    )
    table = Table(
        counts,
        "Findings by kind.",
        (
            Column("severity", "Severity"),
            Column("kind", "What was found"),
            Column("findings", "Findings", "count"),
            Column("patients", "Patients", "count"),
            Column("sites", "By site"),
        ),
        ("Errors keep the cohort from being used. Impossible and unlikely values are questions to the site.",),
        name="findings",
    )
    how = Passage(
        (
            (
                "A CSV file for each site, with columns for its answers and safe to open in a spreadsheet: "
                "kneecurve check FOLDER --export DIR"
            ),
        )
    )
    if not study.shows_patients:
        hidden = "Rows of single patients are not shown at the safe-harbor level; they are in the files for the sites."
        return Section((table, Passage((hidden,)), how))
    return Section((table, _listed(all_of_them), how))


def values(study: QualityStudy) -> Section:
    """Show impossible and unlikely values and changes by measure."""
    items: list[Item] = []
    if study.questions.empty:
        items.append(Passage(_nothing_found(study)))
    else:
        named = study.questions.assign(about=study.questions["measure"].map(study.label))
        counts = named.groupby(["about", "measure", "severity"], sort=False).size().rename("n").reset_index()
        counts["recorded"] = [recorded(study.cohort, measure) for measure in counts["measure"]]
        items.append(
            Table(
                counts,
                "Impossible and unlikely values and changes by measure.",
                (
                    Column("about", "Measure"),
                    Column("severity", "Severity"),
                    Column("n", "Found", "count"),
                    Column("recorded", "Values", "count"),
                ),
                ("Values: of both limbs, or computed where the measure is computed from others.",),
                name="values",
            )
        )
    stored = [str(name) for name in study.cohort.visits["measure"].unique()]
    limits = [(study.label(name), limit_values(study.cohort, name)) for name in stored]
    said = [one.in_words(in_text(label)) for label, one in limits if one is not None and one.n]
    items += [Passage(tuple(said), "items")] if said else []
    unknown = quality.without_detectable_change(study.cohort)
    if unknown:
        items.append(
            absent(
                f"a detectable change of {numbers.listed([study.label(name) for name in unknown])}; their changes were not "
                "judged."
            )
        )
    return Section(tuple(items))


def _nothing_found(study: QualityStudy) -> tuple[str, ...]:
    """Say that nothing was found, with how much was looked at."""
    values, changes = study.values_judged, study.changes_judged
    return (
        f"None of the {numbers.plural(values, 'value')} that a rule is about breaks it."
        if values
        else "No value was recorded that a rule is about.",
        f"None of the {numbers.plural(changes, 'change')} judged goes against the trend by more than is detectable."
        if changes
        else f"No change was judged: at no two visits were {FEWEST_FOR_A_TREND} patients measured one after the other.",
    )


def digits(study: QualityStudy) -> Section:
    """Show the last digits of the values, of all sites together and by site."""
    if study.digits.empty:
        return Section((absent("a measure recorded finely enough to look at its last digits."),))
    named = study.digits.assign(measure=study.digits["measure"].map(study.label))
    small = named[named["p_value"] < _UNEVEN]
    said = (
        f"Last digits are uneven in {numbers.listed(list(small['measure']))} (p below 0.001): values may have been "
        "rounded by those who wrote them down."
        if len(small)
        else _even(named, "measure")
    )
    if study.digits_by_site.empty:
        return Section((Passage((said,)), digit_figure(named)))
    return Section((Passage((said,)), digit_figure(named), *_digits_by_site(study)))


def _even(rows: pd.DataFrame, what: str, several: str | None = None) -> str:
    """Say that no preference is clear, with how many were tested."""
    tested = int(rows["p_value"].notna().sum())
    if not tested:
        return "Too few values were recorded to test their last digits."
    where = numbers.plural(tested, what, several)
    return f"No clear preference for some last digits is seen in {where} tested (none has p below 0.001)."


def _digits_by_site(study: QualityStudy) -> tuple[Passage, Table]:
    rows = study.digits_by_site.assign(measure=study.digits_by_site["measure"].map(study.label))
    rows["ends"] = [
        HIDDEN if hidden else f"{numbers.fraction(ends, n)} ({numbers.share(ends / n)})"
        for hidden, ends, n in zip(rows["hidden"], rows["ends_0_or_5"], rows["n"], strict=True)
    ]
    uneven = rows[rows["p_value"] < _UNEVEN]
    named = [f"{measure} at {site}" for measure, site in zip(uneven["measure"], uneven["site"], strict=True)]
    said = (
        f"By site, last digits are uneven in {numbers.listed(named)} (p below 0.001)."
        if named
        else _even(rows, "measure of a single site", "measures of single sites")
    )
    table = Table(
        rows,
        "Last digits by site: how many values end in 0 or 5, and a test of all ten digits.",
        (
            Column("site", "Site"),
            Column("ends", "End in 0 or 5", "right"),
            Column("chi_square", "Chi-square (9 df)", "number", 1),
            Column("p_value", "p", "p"),
        ),
        (
            "Tested with 50 values or more; not adjusted for the number of tests. One rater may have taken all values of a site.",
            *((HIDDEN_NOTE,) if rows["hidden"].any() else ()),
        ),
        name="digits-by-site",
        rows_grouped_by="measure",
    )
    return Passage((said,)), table


def _kind(all_of_them: pd.DataFrame) -> pd.Series:
    """Name the kind of each finding: numbers are left out where they belong to one patient."""
    problem = all_of_them["problem"]
    checked = all_of_them["severity"].isin(["error", "warning"])
    kind = problem.mask(checked, problem.str.replace(r"[-+]?\d+(?:\.\d+)?", "…", regex=True))
    return kind.mask(problem.str.startswith("changed by"), "changed against the trend by more than is detectable")


def _listed(all_of_them: pd.DataFrame) -> Table:
    shown = all_of_them.head(MOST_LISTED)
    shown = shown.assign(problem=shown["problem"].str.replace(r"(?<=\s)-(?=\d)", numbers.MINUS, regex=True))
    more = len(all_of_them) - len(shown)
    there = f"There {'is' if more == 1 else 'are'} {numbers.plural(more, 'more finding')} in the files for the sites."
    note = (there,) if more else ()
    return Table(
        shown,
        "Patients and values to look up.",
        (
            Column("site", "Site"),
            Column("patient_id", "Patient"),
            Column("place", "Where"),
            Column("value", "Value", "right"),
            Column("problem", "What was found"),
        ),
        note,
        name="to-look-up",
        rows_grouped_by="severity",
    )
