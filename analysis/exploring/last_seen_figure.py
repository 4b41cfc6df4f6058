"""How many patients of each protocol were still seen at a week or after it."""

import numpy as np
import pandas as pd
from matplotlib.figure import Figure as Drawing

from analysis.errors import ModelError
from analysis.outcomes import PatientFlow
from analysis.report.parts import numbers
from analysis.report.parts.axes import axes_inches, legend_above, week_axis
from analysis.report.parts.figures import Figure
from analysis.report.parts.look import Width, marks, new_drawing, quiet_grid, without_markers
from analysis.report.parts.numbers import capitalised
from analysis.report.parts.tables import Column, Table


def last_seen_figure(flow: PatientFlow) -> Figure:
    """Draw the share of all patients of each protocol who were seen at each week or after it.

    Parameters
    ----------
    flow : PatientFlow
        Who was seen when, of a cohort with a value of some visit.

    Returns
    -------
    Figure
        Its table has a row a protocol and week: patients still seen, all patients, and their share.

    Raises
    ------
    ModelError
        There is no value of any visit.

    Examples
    --------
    >>> from analysis import patient_flow
    >>> from synthetic_cohort import generate_cohort
    >>> drawn = last_seen_figure(patient_flow(generate_cohort(patients=60, seed=1).observed))
    >>> float(drawn.data["share"].max()) <= 1
    True
    """
    if flow.patients["last_week_seen"].isna().all():
        raise ModelError(
            "There is no value of any visit.", where="visits", what_to_do="Check the table visits, and import it again."
        )
    table = still_seen(flow)
    names = list(dict.fromkeys(table["protocol"]))
    weeks = sorted(table["week"].unique())

    def draw(width: Width) -> Drawing:
        drawing = new_drawing(width, 3.2 + (0.2 * len(names) if width == "narrow" else 0.0))
        axes = drawing.add_subplot()
        drawn = without_markers(marks(names))
        for name in names:
            one = table[table["protocol"] == name]
            axes.step(
                one["week"], 100 * one["share"], where="pre", color=drawn[name].colour, linestyle=drawn[name].dash
            )
        axes.set_ylim(0, 103)
        week_axis(axes, weeks, inches=axes_inches(width))
        axes.set_ylabel("Patients seen at this\nweek or after it (%)")
        quiet_grid(axes)
        legend_above(drawing, drawn, width)
        return drawing

    last = table.drop_duplicates("protocol", keep="last")
    ends = [
        f"{capitalised(str(row.protocol))}: {numbers.fraction(row.patients, row.allocated)}"
        for row in last.itertuples()
    ]
    return Figure(
        name="last-seen",
        title="Patients who were still to be seen",
        caption=(
            "Of all patients of a protocol, those with a value of any measure at the week or after it. A patient who missed a "
            "visit and came back counts as seen in between."
        ),
        alt=f"Steps from all patients down to those seen at {numbers.moment(weeks[-1])} or after it. {'; '.join(ends)}.",
        table=Table(
            table,
            "Patients still seen, by week.",
            (
                Column("week", "Week", "week"),
                Column(("patients", "allocated"), "Seen then or after it, of all", "fraction with share"),
            ),
            name="last-seen",
            rows_grouped_by="protocol",
        ),
        draw=draw,
    )  # fmt: skip


def still_seen(flow: PatientFlow) -> pd.DataFrame:
    """Count the patients whose last visit is at a week or after it: protocol, week, patients, allocated, share."""
    people = flow.patients.assign(protocol=flow.patients["protocol"].astype("str"))
    weeks = sorted({*flow.weeks, *people["last_week_seen"].dropna()}) if not flow.weeks else list(flow.weeks)
    last = people["last_week_seen"].fillna(-np.inf)
    rows = [
        {"protocol": str(name), "week": week, "patients": int((last[own.index] >= week).sum()), "allocated": len(own)}
        for name, own in people.groupby(flow.patients["protocol"], observed=True)
        for week in weeks
    ]
    table = pd.DataFrame(rows)
    return table.assign(share=table["patients"] / table["allocated"])
