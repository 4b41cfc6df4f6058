"""Figures of adherence: time to stopping, stimulation delivered, classes of adherence."""

import numpy as np
import pandas as pd
from matplotlib.figure import Figure as Drawing

from analysis.counted import form
from analysis.outcomes.home_programme.adherence_classes import AdherenceClasses
from analysis.outcomes.home_programme.home_dose import HomeDose
from analysis.outcomes.home_programme.time_to_stopping import TimeToStopping
from analysis.report.parts import numbers
from analysis.report.parts.axes import axes_inches, legend_above, week_axis, wrap
from analysis.report.parts.figures import Figure
from analysis.report.parts.look import Width, marks, new_drawing, quiet_grid, without_markers
from analysis.report.parts.numbers import capitalised, decimals_for
from analysis.report.parts.tables import Column, Table, level_of

_NO_WEEK = "no week with sessions prescribed and recorded"


def stopping_figure(found: TimeToStopping) -> Figure:
    """Draw the share of patients who had stopped the home programme, by week and protocol.

    Sessions are recorded; the table has a row a protocol and week at which somebody stopped.
    """
    names = list(found.summary["protocol"])
    drawn = marks(names)
    last = {name: float(found.patients.loc[found.patients["protocol"] == name, "week"].max()) for name in names}
    weeks = [week for week in last.values() if np.isfinite(week)]
    percent = level_of(found.medians)

    def draw(width: Width) -> Drawing:
        drawing = new_drawing(width, 2.7 + (0.2 * len(names) if width == "narrow" else 0.0))
        axes = drawing.add_subplot()
        highest, end = 0.0, max(weeks, default=1.0)
        for order, name in enumerate(names):
            if not np.isfinite(last[name]):
                continue
            mark = drawn[name]
            one = found.table[found.table["protocol"] == name]
            share = 100 * np.array([0.0, *one["share"]])
            steps = [0.0, *one["week"], last[name]]
            axes.step(steps, [*share, share[-1]], where="post", color=mark.colour, linestyle=mark.dash, zorder=4)
            if one.empty:
                continue
            limits = 100 * one[["lower", "upper"]].iloc[-1].to_numpy(dtype=float)
            axes.plot(
                [end * (1.015 + 0.02 * order)] * 2, limits, color=mark.colour, linewidth=1.6, marker="_", clip_on=False
            )
            highest = max(highest, *share, *limits[np.isfinite(limits)])
        axes.set_ylim(0, min(102.0, 1.12 * max(highest, 10.0)))
        week_axis(axes, sorted({0.0, *np.linspace(0, end, 7).round()}), inches=axes_inches(width))
        axes.set_xlim(right=end * (1.05 + 0.02 * len(names)))
        axes.set_ylabel("Patients who had\nstopped (%)")
        quiet_grid(axes)
        legend_above(drawing, without_markers(drawn), width)
        return drawing

    parts = [
        f"{row.protocol}: "
        + (
            f"of {numbers.plural(row.n, 'patient')} {numbers.count(row.never_started)} never started, "
            f"{numbers.count(row.stopped_later)} stopped later, {numbers.count(row.going_on)} {form(row.going_on, 'was')} still going when "
            "last recorded"
            if row.n
            else _NO_WEEK
        )
        for row in found.summary.itertuples()
    ]
    return Figure(
        name="stopping",
        title="Time to stopping the home programme",
        caption=(
            f"Share of patients who had stopped ({found.modality}), Kaplan-Meier; bars at the end: {percent} intervals (log-log). Stopped: "
            f"{numbers.plural(found.idle_weeks, 'week')} or more without a session, up to the last recorded week. Who never "
            "started stopped in the first week. Stopping may follow a good recovery as well as a bad one."
        ),
        alt=f"Steps of the share of patients who had stopped, by week. {capitalised('; '.join(parts))}.",
        table=Table(
            found.table,
            "Share of patients who had stopped, by week.",
            (
                Column("week", "Week", "week"),
                Column("at_risk", "Still going", "count"),
                Column("stopped", "Stopped this week", "count"),
                Column("share", f"Stopped by then ({percent} interval)", "share with interval"),
            ),
            found.notes,
            name="stopping",
            rows_grouped_by="protocol",
        ),
        draw=draw,
        message=_stopping_message(found),
    )


def dose_figure(found: HomeDose) -> Figure:
    """Draw minutes done and stimulation delivered by week, modality and protocol.

    Parameters
    ----------
    found : HomeDose
        Home dose, recorded and not empty.

    Returns
    -------
    Figure
        A panel a quantity and modality; its table has a row a protocol, modality, quantity and week.

    Examples
    --------
    >>> from analysis.outcomes import home_dose
    >>> from synthetic_cohort import generate_cohort
    >>> dose_figure(home_dose(generate_cohort(patients=30, seed=1).observed)).name
    'dose'
    """
    table = found.table[found.table["quantity"] != "minutes a session"].reset_index(drop=True)
    names = list(dict.fromkeys(table["protocol"]))
    pairs = list(dict.fromkeys(zip(table["modality"], table["quantity"], strict=True)))
    drawn = marks(names)
    percent = level_of(table)

    def draw(width: Width) -> Drawing:
        quantities, modalities = (list(dict.fromkeys(pair[place] for pair in pairs)) for place in (1, 0))
        wide = width == "wide"
        columns, rows = (len(quantities), len(modalities)) if wide else (1, len(pairs))
        drawing = new_drawing(width, 0.7 + (2.0 if wide else 1.75) * rows)
        panels = drawing.subplots(rows, columns, squeeze=False)
        if wide:
            for axes in panels.flat:
                axes.set_axis_off()
        for place, (modality, quantity) in enumerate(pairs):
            row, column = (modalities.index(modality), quantities.index(quantity)) if wide else (place, 0)
            axes = panels[row, column]
            axes.set_axis_on()
            own = table[(table["modality"] == modality) & (table["quantity"] == quantity)]
            for name in names:
                one = own[own["protocol"] == name]
                mark = drawn[name]
                axes.plot(one["week"], one["mean"], color=mark.colour, linestyle=mark.dash, zorder=4)
                axes.fill_between(one["week"], one["lower"], one["upper"], color=mark.colour, alpha=0.14, linewidth=0)
            week_axis(axes, _some_weeks(own["week"]), inches=axes_inches(width, columns=columns))
            axes.set_ylim(bottom=0)
            axes.set_title(f"{wrap(modality, 30)}\n{wrap(quantity, 34)}", fontsize=8.5)
            axes.set_ylabel(f"{own['unit'].iloc[0]} a week")
            quiet_grid(axes)
        legend_above(drawing, without_markers(drawn), width)
        return drawing

    whole = found.overall[found.overall["quantity"] != "minutes a session"]
    parts = []
    for (modality, quantity), own in whole.groupby(["modality", "quantity"], sort=False):
        low, high = (numbers.number(value, 0) for value in (own["mean"].min(), own["mean"].max()))
        parts.append(f"{modality}, {quantity} {low if low == high else f'{low} to {high}'} {own['unit'].iloc[0]}")
    n = numbers.plural(int(found.patients["patient_id"].nunique()), "patient")
    decimals = decimals_for(table["mean"].tolist(), 1)
    return Figure(
        name="dose",
        title="Minutes and stimulation delivered at home",
        caption=(
            f"Means of the patients with an entry, with {percent} intervals (t). Stimulation delivered is minutes times level, "
            "the level as a share of the device's maximum; the same number may come from a long weak session or a short "
            "strong one."
        ),
        alt=f"Lines of the mean delivered by week in {n}. Means of the protocols over the programme: {'; '.join(parts)}.",
        table=Table(
            table.assign(group=table["modality"] + ", " + table["quantity"] + ", " + table["protocol"]),
            "Minutes done and stimulation delivered by week.",
            (
                Column("week", "Week", "week"),
                Column("n", "Patients", "count"),
                Column("mean", f"Mean ({percent} interval)", "number with interval", decimals),
                Column("median", "Median", "number", decimals),
                Column(("lower_quartile", "upper_quartile"), "Quartiles", "interval", decimals),
            ),
            found.notes,
            name="dose",
            rows_grouped_by="group",
        ),
        draw=draw,
    )


def classes_figure(found: AdherenceClasses) -> Figure:
    """Draw the shares of patients by class of adherence and protocol; the table has a row for each of these."""
    table = found.table
    names = list(dict.fromkeys(table["protocol"]))
    kinds = list(dict.fromkeys(table["adherence_class"]))
    drawn = marks(names)
    percent = level_of(table)
    rules = dict(zip(found.description["adherence_class"], found.description["rule"], strict=True))

    def draw(width: Width) -> Drawing:
        drawing = new_drawing(
            width, 0.9 + len(kinds) * (0.17 * len(names) + 0.14) + (0.2 * len(names) if width == "narrow" else 0)
        )
        axes = drawing.add_subplot()
        step = 0.72 / max(len(names), 1)
        for order, name in enumerate(names):
            one = table[table["protocol"] == name].set_index("adherence_class").reindex(kinds)
            mark, places = drawn[name], np.arange(len(kinds)) + (order - (len(names) - 1) / 2) * step
            share, low, high = (100 * one[column].to_numpy(dtype=float) for column in ("share", "lower", "upper"))
            axes.hlines(places, low, high, color=mark.colour, linewidth=1.5)
            axes.plot(share, places, color=mark.colour, marker=mark.marker, linestyle="none", zorder=4)
        axes.set_yticks(range(len(kinds)), kinds)
        axes.set_ylim(len(kinds) - 0.45, -0.55)
        axes.set_xlim(left=-1.5)
        axes.set_xlabel("Patients (%)")
        quiet_grid(axes, "x")
        legend_above(drawing, drawn, width)
        return drawing

    parts = []
    for name in names:
        one = table[table["protocol"] == name]
        shares = ", ".join(f"{row.adherence_class} {numbers.count(row.patients)}" for row in one.itertuples())
        n = int(one["n"].iloc[0])
        parts.append(f"{name} ({numbers.plural(n, 'patient')}): {shares}" if n else f"{name}: {_NO_WEEK}")
    limits = "; ".join(f"{name}: {rule}" for name, rule in rules.items())
    return Figure(
        name="adherence-classes",
        title="Courses of adherence",
        caption=(
            f"Share of patients in each class, with {percent} intervals ({table['method'].iloc[0]}). The first class that fits "
            f"is taken: {limits}. The limits are choices; no class is a cause, and none is a fault of the patient."
        ),
        alt=f"Shares of patients by class of adherence. {capitalised('; '.join(parts))}.",
        table=Table(
            table,
            "Patients by class of adherence.",
            (
                Column("adherence_class", "Class"),
                Column(("patients", "n"), "Patients / denominator", "fraction"),
                Column("share", f"Share ({percent} interval)", "share with interval"),
            ),
            found.notes,
            name="adherence-classes",
            rows_grouped_by="protocol",
        ),
        draw=draw,
    )


def _some_weeks(weeks: pd.Series) -> list[float]:
    distinct = sorted(float(week) for week in weeks.unique())
    return (
        distinct
        if len(distinct) < 7
        else [distinct[0], *(week for week in distinct[1:-1] if week % 4 == 0), distinct[-1]]
    )


def _stopping_message(found: TimeToStopping) -> str:
    n, gone = int(found.summary["n"].sum()), int(found.summary[["never_started", "stopped_later"]].to_numpy().sum())
    return (
        f"Home sessions stopped or never started: {numbers.count(gone)} of {numbers.plural(n, 'patient')}" if n else ""
    )
