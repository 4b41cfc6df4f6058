"""How far groups lay apart at the start, before and after weighting: dots in standard deviations, a row a covariate."""

import pandas as pd
from matplotlib.figure import Figure as Drawing

from analysis.counted import form
from analysis.curves.covariates import column_in_words
from analysis.outcomes.unrandomised.balance_weights import BalanceWeights
from analysis.outcomes.unrandomised.refusals import SMD_CAUTION
from analysis.report.parts import numbers
from analysis.report.parts.axes import wrap
from analysis.report.parts.figures import Figure
from analysis.report.parts.look import INK, QUIET, RULE, Width, marks, new_drawing, quiet_grid
from analysis.report.parts.numbers import capitalised
from analysis.report.parts.tables import Column, Table

#: Longest differences that the axis shows without being stretched by one (design choice).
_LEAST_REACH = 0.3


def balance_figure(found: BalanceWeights) -> Figure:
    """Draw the standardised differences of every covariate, hollow before and filled after weighting.

    Of more than two protocols a row has the pair that lies furthest apart, before and after; the table has every pair.
    """
    table = found.balance.assign(what=[term_in_words(*one) for one in found.balance[["covariate", "term"]].to_numpy()])
    table["size_before"], table["size_after"] = table["smd_before"].abs(), table["smd_after"].abs()
    rows = table.groupby("what", sort=False)[["size_before", "size_after"]].max().reset_index()
    looked, above = len(rows), int((rows["size_after"] > SMD_CAUTION).sum())
    before = int((rows["size_before"] > SMD_CAUTION).sum())
    pairs = table["pair"].nunique()
    which = "" if pairs == 1 else f" Of {pairs} pairs of protocols the one furthest apart is drawn."
    worst = rows.nlargest(1, "size_after").to_dict("records")[0]
    lie = form(max(before, 1), "lies", "lie")
    return Figure(
        name="balance",
        title="At the start, before and after weighting",
        caption=(
            "Differences between protocols in standard deviations of the patients before weighting, whichever way they point: hollow "
            "before, filled after weighting, both as numbers on the right; the dotted line is "
            f"{SMD_CAUTION:g}, the usual limit (Austin, Stat Med 2009;28:3083).{which}"
        ),
        alt=(
            f"Of {numbers.plural(looked, 'row')} {before or 'none'} {lie} above {SMD_CAUTION:g} before weighting and "
            f"{above or 'none'} after it; furthest after it is {worst['what']}, {numbers.number(worst['size_after'], 2)}."
        ),
        table=Table(
            table,
            "Differences between protocols at the start in standard deviations, before and after weighting.",
            (
                Column("what", "Known before the start"),
                Column("smd_before", "Before", "signed", 2),
                Column("smd_after", "After", "signed", 2),
                Column("variance_ratio_before", "Variances, before", "number", 2),
                Column("variance_ratio", "Variances, after", "number", 2),
            ),
            (
                "Differences over the square root of the mean variance of the two groups before weighting.",
                "Variances: ratio of the two groups, of numbers only; 1 is alike.",
            ),
            name="balance",
            rows_grouped_by="pair",
        ),
        draw=lambda width: _draw(rows, width),
    )


def term_in_words(covariate: str, term: str) -> str:
    """Name a row of the balance: a number, its square, or a label.

    Examples
    --------
    >>> term_in_words("age_years", "squared"), term_in_words("sex", "female"), term_in_words("baseline", "value")
    ('age, squared', 'sex: female', 'the baseline')
    """
    words = column_in_words(covariate)
    return {"value": words, "squared": f"{words}, squared"}.get(term, f"{words}: {term}")


def _draw(rows: pd.DataFrame, width: Width) -> Drawing:
    drawing = new_drawing(width, 1.0 + 0.24 * len(rows))
    axes = drawing.add_subplot()
    mark = marks(["before", "after"])["after"]
    places = range(len(rows))
    axes.hlines(list(places), rows["size_after"], rows["size_before"], color=RULE, linewidth=1.2, zorder=1)
    axes.plot(rows["size_before"], list(places), "o", color=QUIET, markerfacecolor="none", markersize=6, label="before")
    axes.plot(rows["size_after"], list(places), "o", color=mark.colour, markersize=6, label="after weighting")
    axes.axvline(SMD_CAUTION, color=INK, linewidth=0.9, linestyle=":")
    axes.set_xlim(-0.01, max(_LEAST_REACH, 1.08 * float(rows[["size_before", "size_after"]].max().max())))
    letters = 34 if width == "wide" else 18
    axes.set_yticks(list(places), [wrap(capitalised(str(one)), letters, lines=2) for one in rows["what"]])
    axes.set_ylim(len(rows) - 0.4, -0.6)
    for place, row in zip(places, rows.to_dict("records"), strict=True):
        axes.annotate(
            f"{numbers.number(row['size_before'], 2)} → {numbers.number(row['size_after'], 2)}", xy=(1.01, place),
            xycoords=axes.get_yaxis_transform(), va="center", fontsize=7.5, color=INK, annotation_clip=False,
        )  # fmt: skip
    axes.set_xlabel("Difference in standard deviations")
    quiet_grid(axes, "x")
    drawing.legend(loc="outside upper left", ncols=2, borderaxespad=0.2)
    return drawing
