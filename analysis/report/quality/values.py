"""Findings, impossible and unlikely values, and digit preference."""

import pandas as pd

from analysis import quality
from analysis.counted import form
from analysis.outcomes.patients.limits import limit_values
from analysis.report.parts import numbers
from analysis.report.parts.indicator_numbers import HIDDEN, HIDDEN_NOTE
from analysis.report.parts.numbers import in_text
from analysis.report.parts.passages import Item, Passage, Section, absent
from analysis.report.parts.tables import Column, Table
from analysis.report.quality.figures import digit_figure
from analysis.report.quality.findings import (
    digit_figure_words,
    digits_words,
    nothing_asked_words,
    site_digits_words,
)
from analysis.report.quality.study import QualityStudy, recorded

#: Findings listed in the report; all of them are in the files for the sites.
MOST_LISTED = 20


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
        items.append(Passage(nothing_asked_words(study.found)))
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


def digits(study: QualityStudy) -> Section:
    """Show the last digits of the values, of all sites together and by site."""
    if study.digits.empty:
        return Section((absent("a measure recorded finely enough to look at its last digits."),))
    named = study.digits.assign(measure=study.digits["measure"].map(study.label))
    shown = (
        Passage((digits_words(study.found),)),
        digit_figure(named, told=digit_figure_words(study.found, len(named))),
    )
    return Section(shown if study.digits_by_site.empty else (*shown, *_digits_by_site(study)))


def _digits_by_site(study: QualityStudy) -> tuple[Passage, Table]:
    rows = study.digits_by_site.assign(measure=study.digits_by_site["measure"].map(study.label))
    rows["ends"] = [
        HIDDEN if hidden else f"{numbers.fraction(ends, n)} ({numbers.share(ends / n)})"
        for hidden, ends, n in zip(rows["hidden"], rows["ends_0_or_5"], rows["n"], strict=True)
    ]
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
    return Passage((site_digits_words(study.found),)), table


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
    there = f"There {form(more, 'is')} {numbers.plural(more, 'more finding')} in the files for the sites."
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
