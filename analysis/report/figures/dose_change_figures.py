"""Figures of home sessions against recovery: the patients, and the slopes with what they can and cannot say."""

import re
from typing import Any

import numpy as np
from matplotlib.figure import Figure as Drawing

from analysis.outcomes.home_programme.adherence_association import AdherenceAssociation
from analysis.outcomes.home_programme.complier_effect import ComplierEffect
from analysis.report.parts import numbers
from analysis.report.parts.axes import legend_above, wrap, zero_line
from analysis.report.parts.figures import Figure
from analysis.report.parts.look import INK, OF_PATIENTS, QUIET, Mark, Width, marks, new_drawing, quiet_grid
from analysis.report.parts.numbers import capitalised, decimals_for, in_text
from analysis.report.parts.tables import Column, Table, level_of

#: More points than this are not told apart; a fixed sample is drawn.
_MOST_POINTS = 1500


def dose_change_figure(found: AdherenceAssociation) -> Figure:
    """Draw each patient's improvement against what was done at home, with the naive slope.

    Its table has a row a method, with what it can and cannot say.
    """
    measure = found.endpoint.measure
    known = found.patients.dropna(subset=["improvement", "exposure"])
    every = [str(name) for name in found.patients["protocol"].cat.categories]
    names = [name for name in every if name not in found.not_prescribed]
    drawn = {name: mark for name, mark in marks(every).items() if name in names}
    is_share = found.exposure.startswith("share of sessions")
    of = "" if found.modality is None else f" of {found.modality}"
    scale = 100.0 if is_share else 1.0
    naive = found.table.iloc[0]
    decimals = decimals_for([naive["slope"], naive["lower"], naive["upper"]])
    shown = known if len(known) <= _MOST_POINTS else known.sample(_MOST_POINTS, random_state=1).sort_index()

    def draw(width: Width) -> Drawing:
        import seaborn

        drawing = new_drawing(width, 2.5 + (0.2 * len(names) if width == "narrow" else 0.0))
        axes = drawing.add_subplot()
        points = shown.assign(done=scale * shown["exposure"], name=shown["protocol"].astype("str"))
        seaborn.scatterplot(
            points, x="done", y="improvement", hue="name", style="name", ax=axes, legend=False, s=20, alpha=0.7,
            palette={name: mark.colour for name, mark in drawn.items()}, hue_order=names, style_order=names,
            markers={name: mark.marker for name, mark in drawn.items()}, edgecolor="none", linewidth=0.4, zorder=3,
            **OF_PATIENTS,
        )  # fmt: skip
        for name in names:
            own = known[known["protocol"] == name]
            if len(own) and np.isfinite(naive["slope"]):
                ends = np.array([own["exposure"].min(), own["exposure"].max()])
                line = own["improvement"].mean() + naive["slope"] * (ends - own["exposure"].mean())
                axes.plot(scale * ends, line, color=drawn[name].colour, linestyle=drawn[name].dash, zorder=4)
        zero_line(axes)
        done = f"Sessions{of} done of those prescribed (%)" if is_share else f"{found.exposure}, hours a week"
        axes.set_xlabel(wrap(done, 46 if width == "wide" else 34))
        axes.set_ylabel(f"Improvement by\n{numbers.moment(found.endpoint.week)} ({measure.unit})")
        quiet_grid(axes, "both")
        legend_above(drawing, drawn, width)
        return drawing

    apart = f"Not prescribed to {numbers.listed(found.not_prescribed)}. " if found.not_prescribed else ""
    sample = f"A sample of {numbers.count(len(shown))} points is drawn. " if len(shown) < len(known) else ""
    percent = level_of(found.table)
    slope = "no slope can be given"
    if np.isfinite(naive["slope"]):
        limits = numbers.interval(naive["lower"], naive["upper"], decimals)
        slope = (
            f"slope {numbers.signed(naive['slope'], decimals)} {measure.unit} for {found.exposure_unit} ({percent} interval "
            f"{limits})"
        )
    return Figure(
        name=f"dose-change{_slug(found.modality)}",
        title=f"Home sessions{of} and improvement in {in_text(measure.label)}",
        caption=(
            f"Each point is a patient; lines have one slope for all protocols. {apart}{sample}The slope says whether patients who did "
            "more changed more. It does not say what more sessions would have done: recovery, pain and motivation move both."
        ),
        alt=(
            f"Improvement in {in_text(measure.label)} by {numbers.moment(found.endpoint.week)} against {found.exposure} in "
            f"{numbers.plural(int(naive['n']), 'patient')}: {slope}."
        ),
        table=_association_table(found, percent),
        draw=draw,
    )


def _association_table(found: AdherenceAssociation, percent: str) -> Table:
    """Show the slopes of each method with what they can and cannot say."""
    endpoint = found.endpoint
    decimals = decimals_for([*found.table["slope"], *found.table["upper"]])
    return Table(
        found.table,
        f"Association of {found.exposure} with improvement in {in_text(endpoint.measure.label)} by "
        f"{numbers.moment(endpoint.week)}.",
        (
            Column("method", "Method"),
            Column("n", "Patients", "count"),
            Column("slope", f"Slope ({percent} interval)", "signed with interval", decimals),
            Column("can_say", "What it can say"),
            Column("cannot_say", "What it cannot say"),
        ),
        found.notes,
        name=f"adherence-association{_slug(found.modality)}",
    )


def effect_figure(found: ComplierEffect) -> Figure:
    """Draw the effect of the allocation and, by it, of the home dose, of two protocols or more.

    Its table has a row a protocol.
    """
    measure = found.endpoint.measure
    table = found.table
    dose = "the home dose" if found.modality is None else f"{found.modality} at home"
    none = ""
    if found.by_design:
        none = f" None is prescribed under {numbers.listed(found.by_design)}: a dose of 0 by design."
    base = str(table["reference"].iloc[0])
    drawn = marks([base, *(str(name) for name in found.patients["protocol"].cat.categories if name != base)])
    decimals = decimals_for([*table["effect"], *table["upper"]])
    percent = level_of(table)
    kinds = {
        "Allocation": ("allocation_effect", "allocation_lower", "allocation_upper"),
        "Home dose": ("effect", "lower", "upper"),
    }

    rows: list[dict[Any, Any]] = table.to_dict("records")

    def draw(width: Width) -> Drawing:
        drawing = new_drawing(width, 0.8 + 0.4 * 2 * len(table))
        axes = drawing.add_subplot()
        labels: list[str] = []
        for number, row in enumerate(rows):
            mark = drawn[row["protocol"]]
            for kind, columns in kinds.items():
                middle, low, high = (float(row[name]) for name in columns)
                _one_estimate(axes, len(labels), (middle, low, high), mark, hollow=kind == "Allocation")
                labels.append(f"{kind}:\n{wrap(row['protocol'], 26 if width == 'wide' else 16)}")
            if number:
                axes.axhline(len(labels) - 2.5, color=QUIET, linewidth=0.6)
        axes.axvline(0, color=INK, linewidth=0.9, zorder=1)
        axes.set_yticks(range(len(labels)), labels)
        axes.set_ylim(len(labels) - 0.5, -0.5)
        axes.set_xlabel(wrap(f"Improvement more than under {base} ({measure.unit})", 46 if width == "wide" else 30))
        quiet_grid(axes, "x")
        return drawing

    parts = []
    for row in rows:
        said = [
            f"{kind} {numbers.signed(row[middle], decimals)} ({numbers.interval(row[low], row[high], decimals)})"
            for kind, (middle, low, high) in kinds.items()
        ]
        n = numbers.plural(row["n"] + row["reference_n"], "patient")
        parts.append(f"{row['protocol']}, {n}: {', '.join(said).lower()}")
    return Figure(
        name=f"home-dose-effect{_slug(found.modality)}",
        title=f"Effect of {dose} on {in_text(measure.label)}, by allocation",
        caption=(
            f"Hollow: what being allocated to the protocol did. Filled: what the dose ({found.exposure}) did, for "
            f"{found.exposure_unit}, in patients whose dose follows what they are offered; {percent} intervals "
            f"({table['method'].iloc[0]}).{none} It holds only where all of this does: {' '.join(found.assumptions)}"
        ),
        alt=f"Effects at {numbers.moment(found.endpoint.week)} in {measure.unit}. {capitalised('; '.join(parts))}.",
        table=_effect_table(found, decimals, percent),
        draw=draw,
    )


def _effect_table(found: ComplierEffect, decimals: int, percent: str) -> Table:
    """Show the effects by allocation."""
    allocation = ("allocation_effect", "allocation_lower", "allocation_upper")
    return Table(
        found.table,
        f"Effect of the allocation, and by it of {found.exposure}, on {in_text(found.endpoint.measure.label)}.",
        (
            Column("protocol", "Protocol"),
            Column(("n", "allocated"), "Patients used / allocated", "fraction"),
            Column("dose_difference", "Difference in dose", "signed", 2),
            Column(allocation, f"Allocation ({percent} interval)", "signed with interval", decimals),
            Column("effect", f"Home dose ({percent} interval)", "signed with interval", decimals),
        ),
        (*found.assumptions, *found.notes),
        name=f"home-dose-effect{_slug(found.modality)}",
    )


def instrument_table(found: ComplierEffect) -> Table:
    """Show how strongly the allocation moves the dose, and the set that stays right where it does so weakly."""
    measure = found.endpoint.measure
    decimals = decimals_for([*found.table["effect"], *found.table["upper"]])
    return Table(
        found.table,
        f"How strongly the allocation moves {found.exposure}, and the set of Anderson and Rubin for its effect on "
        f"{in_text(measure.label)}.",
        (
            Column("protocol", "Protocol"),
            Column("first_stage_f", "F of the allocation", "number", 0),
            Column(
                ("robust_lower", "robust_upper"),
                f"Set of Anderson and Rubin ({level_of(found.table)})",
                "interval",
                decimals,
            ),
        ),
        name=f"home-dose-instrument{_slug(found.modality)}",
    )


def _slug(modality: str | None) -> str:
    """End the short name of a figure or table with its modality."""
    return "" if modality is None else f"-{re.sub('[^a-z0-9]+', '-', modality.lower()).strip('-')}"


def _one_estimate(axes: Any, place: int, estimate: tuple[float, float, float], mark: Mark, *, hollow: bool) -> None:
    middle, low, high = estimate
    axes.plot([low, high], [place, place], color=mark.colour, linewidth=1.6)
    face = "white" if hollow else mark.colour
    axes.plot(middle, place, marker=mark.marker, color=mark.colour, markerfacecolor=face, markersize=6.5, zorder=3)
