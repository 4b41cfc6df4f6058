"""Figure and tables of reliability: agreement of repeated measurements, their error, and what a change must exceed."""

from matplotlib.axes import Axes
from matplotlib.figure import Figure as Drawing

from analysis.outcomes.thresholds.reliability import Reliability
from analysis.report.parts import numbers
from analysis.report.parts.axes import panel_grid
from analysis.report.parts.figures import Figure
from analysis.report.parts.look import INK, OF_PATIENTS, QUIET, Width, marks, quiet_grid
from analysis.report.parts.numbers import decimals_for, in_text
from analysis.report.parts.tables import Column, Table, intervals_by, level_of

_MOST_PANELS = 6


def agreement_figure(found: Reliability, label: str) -> Figure:
    """Draw differences of repeated measurements against their means, with limits of agreement (Bland and Altman).

    Parameters
    ----------
    found : Reliability
        Reliability of a measure.
    label : str
        Name of the measure, for example "Quadriceps torque".

    Returns
    -------
    Figure
        A panel a pair of occasions, the first six; its table has a row a pair.

    Examples
    --------
    >>> import pandas as pd
    >>> from analysis.outcomes import reliability
    >>> tests = pd.DataFrame({"patient_id": [1, 1, 2, 2, 3, 3], "occasion": [1, 2] * 3, "value": [5.0, 6, 7, 7, 9, 8]})
    >>> agreement_figure(reliability(tests, unit="points"), "Pain").title
    'Agreement of repeated measurements of pain'
    """
    rows = found.agreement
    pairs = list(zip(rows["first"], rows["second"], strict=True))[:_MOST_PANELS]
    unit = f" ({found.unit})" if found.unit else ""
    decimals = decimals_for([*found.patients["difference"], *rows["upper_limit"]])
    percent = level_of(rows)
    sizes = found.detectable_change.query("group_size == 1 and confidence == 0.95")["estimate"]
    detectable = numbers.number(float(sizes.iloc[0]), decimals)

    def draw(width: Width) -> Drawing:
        height = 2.9 if len(pairs) == 1 or width == "narrow" else 2.6
        drawing, panels = panel_grid(len(pairs), width, height=height, sharex=True, sharey=True)
        for place, axes in zip(range(len(pairs)), panels.flat, strict=False):
            _one_pair(found, place, axes, decimals)
            if len(pairs) > 1:
                axes.set_title(f"{pairs[place][1]} minus {pairs[place][0]}")
        of = "" if len(pairs) > 1 else f", {pairs[0][1]} minus {pairs[0][0]}"
        for axes in panels[:, 0]:
            axes.set_ylabel(f"Difference{of}{unit}")
        for axes in panels[-1, :]:
            axes.set_xlabel(f"Mean of both{unit}")
        return drawing

    said = [
        f"{row.second} minus {row.first} {numbers.signed(row.bias, decimals)} on average, limits "
        f"{numbers.interval(row.lower_limit, row.upper_limit, decimals)}"
        for row in rows.itertuples()
    ]
    return Figure(
        name="agreement",
        title=f"Agreement of repeated measurements of {in_text(label)}",
        caption=(
            f"Each point is one of {numbers.count(found.n_patients)} patients. Solid line: mean difference; dashed lines: "
            f"limits of agreement, between which {percent} of the differences of unchanged patients lie; bands: their "
            f"{percent} intervals ({rows['method'].iloc[0]}). A change within the limits may be error alone."
        ),
        alt=(
            f"Differences of repeated measurements against their means in {numbers.plural(found.n_patients, 'patient')}"
            f"{unit}: {'; '.join(said)}."
        ),
        table=_agreement_table(found, percent),
        draw=draw,
        message=f"A change of {in_text(label)} below {detectable} {found.unit} may be error alone".replace("  ", " "),
    )


def _one_pair(found: Reliability, place: int, axes: Axes, decimals: int) -> None:
    import seaborn

    row = found.agreement.iloc[place]
    one = found.patients[(found.patients["first"] == row["first"]) & (found.patients["second"] == row["second"])]
    mark = marks(["all", "patients"])["patients"]
    for name, dash in (("bias", "-"), ("lower_limit", (0, (6, 2))), ("upper_limit", (0, (6, 2)))):
        axes.axhspan(row[f"{name}_lower"], row[f"{name}_upper"], color=QUIET, alpha=0.13, linewidth=0, zorder=0)
        axes.axhline(row[name], color=INK, linewidth=1.1, linestyle=dash, zorder=2)
        axes.annotate(
            numbers.signed(row[name], decimals), (1.0, row[name]), xycoords=axes.get_yaxis_transform(), xytext=(3, 0),
            textcoords="offset points", va="center", fontsize=7.5, annotation_clip=False,
        )  # fmt: skip
    seaborn.scatterplot(
        one,
        x="mean",
        y="difference",
        ax=axes,
        color=mark.colour,
        s=26,
        edgecolor="none",
        alpha=0.75,
        zorder=3,
        **OF_PATIENTS,
    )
    axes.axhline(0, color=QUIET, linewidth=0.8, linestyle=":", zorder=1)
    axes.set(xlabel="", ylabel="")
    quiet_grid(axes)


def _agreement_table(found: Reliability, percent: str) -> Table:
    """Show the limits of agreement, a row a pair of occasions."""
    rows = found.agreement
    decimals = decimals_for([*rows["upper_limit"], *rows["lower_limit"]])
    head = f"({percent} interval)"
    parts = (("Mean difference", "bias"), ("Lower limit", "lower_limit"), ("Upper limit", "upper_limit"))
    return Table(
        rows.assign(pair=rows["second"] + " minus " + rows["first"]),
        f"Limits of agreement of repeated measurements{f' ({found.unit})' if found.unit else ''}.",
        (
            Column("pair", "Occasions"),
            Column("n", "Patients", "count"),
            *(
                Column((name, f"{name}_lower", f"{name}_upper"), f"{label} {head}", "signed with interval", decimals)
                for label, name in parts
            ),
        ),
        (intervals_by(rows), *found.notes),
        name="agreement",
    )


def correlation_table(found: Reliability) -> Table:
    """Show the six intraclass correlations.

    Parameters
    ----------
    found : Reliability
        Reliability of a measure.
    """
    return Table(
        found.correlations,
        f"Intraclass correlations of {numbers.count(found.n_occasions)} occasions in "
        f"{numbers.plural(found.n_patients, 'patient')}.",
        (
            Column("form", "Form"),
            Column("meaning", "Of what"),
            Column("estimate", "Correlation (95 % interval)", "number with interval", 2),
        ),
        ("Forms of Shrout and Fleiss (1979); intervals by the F distribution.",),
        name="correlations",
    )


def error_table(found: Reliability) -> Table:
    """Show the error of measurement by each formula, and the change that one patient or a group must exceed.

    Parameters
    ----------
    found : Reliability
        Reliability of a measure.
    """
    wide = found.detectable_change.assign(percent=(100 * found.detectable_change["confidence"]).round().astype(int))
    wide = wide.pivot_table(
        index=["formula", "applies_to", "group_size"], columns="percent", values="estimate", sort=False
    )
    shown = wide.rename(columns={90: "mdc90", 95: "mdc95"}).reset_index()
    errors = found.errors.set_index("formula")
    for name in ("estimate", "lower", "upper"):
        shown[name] = shown["formula"].map(errors[name])
    decimals = decimals_for([*found.detectable_change["estimate"]])
    error = f"Standard error of measurement ({level_of(found.errors)} interval)"
    unit = f" ({found.unit})" if found.unit else ""
    return Table(
        shown,
        f"Error of measurement and minimal detectable change{unit}.",
        (
            Column("applies_to", "For"),
            Column("estimate", error, "number with interval", decimals),
            Column("mdc90", "Detectable change, 90 %", "number", decimals),
            Column("mdc95", "Detectable change, 95 %", "number", decimals),
        ),
        ("The error of measurement is the spread of tests of one patient, not the error of a mean.",),
        name="detectable-change",
        rows_grouped_by="formula",
    )
