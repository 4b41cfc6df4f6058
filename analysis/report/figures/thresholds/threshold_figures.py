"""Figures of thresholds: several methods side by side against the error of one test; improvement by the anchor."""

from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure as Drawing

from analysis.outcomes.thresholds.found_thresholds import FoundThresholds
from analysis.report.parts import numbers
from analysis.report.parts.axes import legend_above, wrap
from analysis.report.parts.figures import Figure
from analysis.report.parts.look import FAINT, INK, QUIET, Width, marks, new_drawing, quiet_grid, without_markers
from analysis.report.parts.numbers import decimals_for, in_text
from analysis.report.parts.tables import Column, Table, level_of

BELOW = "below what one test can detect"
DETECTABLE = "minimal detectable change (95 %)"
ANCHOR, DISTRIBUTION = "from the anchor: importance", "from spread and error: no importance"


def threshold_figure(found: FoundThresholds, label: str) -> Figure:
    """Draw thresholds by several methods side by side, against the change that one test can detect.

    Parameters
    ----------
    found : FoundThresholds
        Thresholds found in one data set.
    label : str
        Name of the measure.

    Returns
    -------
    Figure
        Its table has a row a method, those from the anchor apart from those from spread and error.

    Examples
    --------
    >>> from analysis.outcomes import find_thresholds
    >>> answers = pd.DataFrame({
    ...     "improvement": [1.0, 3, 4, 6, 8, 9, 2, 7], "baseline": [40.0, 50, 45, 60, 55, 42, 48, 51],
    ...     "anchor": ["same", "same", "better", "better", "better", "better", "same", "same"],
    ... })
    >>> threshold_figure(find_thresholds(answers, improved=["better"], draws=20, unit="points"), "Score").title
    'Thresholds of improvement in Score'
    """
    rows = _rows(found)
    unit = f" ({found.unit})" if found.unit else ""
    decimals = decimals_for([*rows["estimate"], *rows["upper"]])
    detectable = _detectable(found)
    percent = level_of(found.anchor_based)

    def draw(width: Width) -> Drawing:
        room = 34 if width == "wide" else 20
        drawing = new_drawing(width, 1.0 + (0.36 if width == "wide" else 0.56) * len(rows))
        axes = drawing.add_subplot()
        _shade(axes, detectable, width)
        drawn = marks([DISTRIBUTION, ANCHOR])
        records: list[Any] = list(rows.itertuples())
        for place, row in enumerate(records):
            mark = drawn[str(row.kind)]
            hollow = row.kind == DISTRIBUTION
            if not numbers.is_missing(row.lower):
                axes.plot([row.lower, row.upper], [place, place], color=mark.colour, linewidth=1.6)
            if numbers.is_missing(row.estimate):
                axes.annotate("not found", (0.02, place), xycoords=axes.get_yaxis_transform(), va="center", fontsize=8)
                continue
            axes.plot(
                row.estimate, place, marker="D" if hollow else "o", color=mark.colour, markersize=6.5, zorder=3,
                markerfacecolor="white" if hollow else mark.colour,
            )  # fmt: skip
        axes.set_yticks(
            range(len(rows)), [wrap(str(name).replace(" %", "\u00a0%"), room, lines=5) for name in rows["method"]]
        )
        between = (rows["kind"] == ANCHOR).sum() - 0.5
        if 0 < between < len(rows) - 1:
            axes.axhline(between, color=QUIET, linewidth=0.8)
        axes.set_ylim(len(rows) - 0.4, -0.9)
        axes.set_xlim(left=min(0.0, *rows["lower"].dropna(), *rows["estimate"].dropna()))
        axes.set_xlabel(f"Improvement{unit}")
        quiet_grid(axes, "x")
        return drawing

    return Figure(
        name="thresholds",
        title=f"Thresholds of improvement in {in_text(label)}",
        caption=(
            f"Filled dots: from the patients' own judgement, with {percent} intervals (bootstrap percentile, "
            f"{numbers.plural(int(found.anchor['n'].iloc[0]), 'patient')}). Hollow diamonds, under the line: sizes of spread "
            f"and error, which say nothing about importance. {_against(found, decimals)}"
        ),
        alt=_in_words(found, decimals),
        table=Table(
            rows,
            f"Thresholds of improvement in {in_text(label)}{unit}.",
            (
                Column("method", "Method"),
                Column("n", "Patients", "count"),
                Column("estimate", "Threshold (interval)", "number with interval", decimals),
                Column("against_error", "Against the error of one test"),
            ),
            ("Intervals: bootstrap percentile, for thresholds from the anchor only.", *found.notes),
            name="thresholds",
            rows_grouped_by="kind",
        ),
        draw=draw,
        message=_message(found, label, decimals),
    )


def anchor_figure(
    data: pd.DataFrame,
    label: str,
    *,
    improvement: str = "improvement",
    anchor: str = "anchor",
    unit: str = "",
    names: dict[object, str] | None = None,
) -> Figure:
    """Draw the cumulative distribution of improvement in each class of the anchor.

    Parameters
    ----------
    data : pandas.DataFrame
        One row a patient, as for :func:`analysis.outcomes.thresholds.found_thresholds.find_thresholds`.
    label : str
        Name of the measure.
    improvement, anchor : str
        Columns: improvement (positive is better) and the patients' own judgement.
    unit : str
        Unit of the improvement.
    names : dict, optional
        Words for the values of the anchor.

    Returns
    -------
    Figure
        Its table has a row a class of the anchor.
    """
    known = data.dropna(subset=[improvement, anchor])
    words = {value: str((names or {}).get(value, value)) for value in sorted(known[anchor].unique())}
    table = pd.DataFrame(
        [_of_class(known.loc[known[anchor] == value, improvement], word) for value, word in words.items()]
    )
    drawn = marks(list(words.values()))
    in_unit = f" ({unit})" if unit else ""
    quartiles = ("median", "lower_quartile", "upper_quartile")
    decimals = decimals_for([*table["lower_quartile"], *table["upper_quartile"]])

    def draw(width: Width) -> Drawing:
        import seaborn

        drawing = new_drawing(width, 3.0 + (0.0 if width == "wide" else 0.2 * len(drawn)))
        axes = drawing.add_subplot()
        shown = pd.DataFrame({"improvement": known[improvement].astype(float), "feels": known[anchor].map(words)})
        for word, mark in drawn.items():
            one = shown[shown["feels"] == word]
            seaborn.ecdfplot(one, x="improvement", ax=axes, color=mark.colour, linestyle=mark.dash, stat="percent")
        axes.set_ylim(0, 104)
        axes.set_xlabel(f"Improvement{in_unit}")
        axes.set_ylabel("Patients improved by\nat most this much (%)")
        quiet_grid(axes, "both")
        legend_above(drawing, without_markers(drawn), width, most=5)
        return drawing

    parts = [
        f"{row.anchor_class} {numbers.plural(row.n, 'patient')}, median {numbers.signed(row.median, decimals)}"
        for row in table.itertuples()
    ]
    return Figure(
        name="anchor",
        title=f"Improvement in {in_text(label)} by the patients' own judgement",
        caption=(
            "Cumulative distributions, one line a class of the anchor. The further apart the lines, the better the anchor "
            "tells improvement from none; where they lie together no method finds a threshold."
        ),
        alt=f"Cumulative distributions of improvement{f' in {unit}' if unit else ''}: {'; '.join(parts)}.",
        table=Table(
            table,
            f"Improvement in {in_text(label)}{in_unit} by the patients' own judgement.",
            (
                Column("anchor_class", "Judgement"),
                Column("n", "Patients", "count"),
                Column(quartiles, "Median (quartiles)", "signed with interval", decimals),
            ),
            name="anchor",
        ),
        draw=draw,
    )


def _of_class(values: pd.Series, word: str) -> dict[str, object]:
    row: dict[str, object] = {"anchor_class": word, "n": len(values), "median": float(values.median())}
    return row | {"lower_quartile": float(values.quantile(0.25)), "upper_quartile": float(values.quantile(0.75))}


def _rows(found: FoundThresholds) -> pd.DataFrame:
    anchored = found.anchor_based.assign(kind=ANCHOR)
    other = found.distribution_based.assign(kind=DISTRIBUTION, lower=np.nan, upper=np.nan, against_error=None)
    columns = ["method", "kind", "n", "estimate", "lower", "upper", "against_error"]
    return pd.DataFrame([*anchored[columns].to_dict("records"), *other[columns].to_dict("records")], columns=columns)


def _detectable(found: FoundThresholds) -> float:
    sizes = found.distribution_based
    known = sizes.loc[sizes["method"] == DETECTABLE, "estimate"]
    return float(known.iloc[0]) if len(known) else float("nan")


def _shade(axes: Axes, detectable: float, width: Width) -> None:
    if not np.isfinite(detectable):
        return
    axes.axvspan(0, detectable, color=FAINT, alpha=0.28, linewidth=0, zorder=0)
    axes.axvline(detectable, color=INK, linewidth=1.1, linestyle="--", zorder=1)
    axes.annotate(
        wrap(BELOW, 40 if width == "wide" else 18), (detectable, 1.0), xycoords=axes.get_xaxis_transform(), xytext=(-4, -2),
        textcoords="offset points", ha="right", va="top", fontsize=7.5, color=INK,
    )  # fmt: skip


def _against(found: FoundThresholds, decimals: int) -> str:
    detectable = _detectable(found)
    if not np.isfinite(detectable):
        return "No error of measurement was given, so nothing is said about what one test can detect."
    return (
        f"The shaded part, up to {numbers.number(detectable, decimals)} {found.unit}".rstrip()
        + f", is {BELOW}: in one patient such a change may be error alone; a mean of many can still show it."
    )


def _in_words(found: FoundThresholds, decimals: int) -> str:
    known = found.anchor_based.dropna(subset=["estimate"])
    under = known["against_error"] == BELOW
    parts = [
        f"{row.method} {numbers.number(row.estimate, decimals)}"
        + ("" if numbers.is_missing(row.lower) else f" ({numbers.interval(row.lower, row.upper, decimals)})")
        for row in known.itertuples()
    ]
    unit = f" in {found.unit}" if found.unit else ""
    said = f"Thresholds{unit} from the anchor: {'; '.join(parts) or 'none found'}."
    detectable = _detectable(found)
    if np.isfinite(detectable) and len(known):
        said += (
            f" {numbers.fraction(int(under.sum()), len(known))} are {BELOW}, {numbers.number(detectable, decimals)}."
        )
    others = [f"{row.method} {numbers.number(row.estimate, decimals)}" for row in found.distribution_based.itertuples()]
    return f"{said} Sizes of spread and error: {'; '.join(others)}." if others else said


def _message(found: FoundThresholds, label: str, decimals: int) -> str:
    known = found.anchor_based["estimate"].dropna()
    if known.empty:
        return ""
    under = int((found.anchor_based["against_error"] == BELOW).sum())
    tail = f"; {under} of {len(known)} are {BELOW}" if under else ""
    low, high = (numbers.number(value, decimals) for value in (known.min(), known.max()))
    return f"Thresholds of {in_text(label)} range from {low} to {high} {found.unit}".rstrip() + tail
