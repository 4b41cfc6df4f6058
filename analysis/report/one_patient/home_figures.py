"""Figures of one patient's home programme: sessions done of those prescribed, and the limits of the brace."""

from typing import Any

import numpy as np
import pandas as pd
from matplotlib.figure import Figure as Drawing

from analysis.report.parts import numbers
from analysis.report.parts.axes import axes_inches, panel_grid, week_axis, wrap
from analysis.report.parts.figures import Figure
from analysis.report.parts.look import FAINT, INK, QUIET, Width, new_drawing, quiet_grid
from analysis.report.parts.tables import Column, Table

_FLEXION, _EXTENSION, _DONE = "#0067a3", "#b84a00", "#0067a3"


def session_figure(sessions: pd.DataFrame) -> Figure:
    """Draw the sessions done of those prescribed, by week, a panel a modality.

    ``sessions`` are the patient's rows of the table sessions, at least one; the figure's table has a row a modality and week.
    """
    table = sessions.assign(modality=sessions["modality"].astype("str")).sort_values(["modality", "week"])
    modalities = list(dict.fromkeys(sessions["modality"].astype("str")))
    totals = session_totals(sessions)
    weeks = sorted(float(week) for week in sessions["week"].unique())

    def draw(width: Width) -> Drawing:
        drawing, panels = panel_grid(len(modalities), width, above=0.4, height=2.0, sharey=True)
        for modality, axes in zip(modalities, panels.flat, strict=False):
            own = table[table["modality"] == modality]
            axes.bar(own["week"], own["sessions_prescribed"], width=0.8, color="none", edgecolor=QUIET, linewidth=0.8)
            axes.bar(own["week"], own["sessions_done"], width=0.8, color=_DONE, alpha=0.85)
            week_axis(axes, weeks, inches=axes_inches(width, columns=panels.shape[1]))
            axes.set_xlim(weeks[0] - 0.7, weeks[-1] + 0.7)
            axes.set_title(wrap(modality, 28))
            quiet_grid(axes)
        for axes in panels[:, 0]:
            axes.set_ylabel("Sessions a week")
        return drawing

    words = [f"{row.modality}: {_total_in_words(row)}" for row in totals.itertuples()]
    return Figure(
        name="sessions",
        title="Home sessions by week",
        caption="Filled: sessions done. Outline: sessions prescribed. A week without an entry has no bar; it is not zero.",
        alt=f"Bars of home sessions done of those prescribed. {'; '.join(words)}.",
        table=Table(
            table,
            "Home sessions done of those prescribed, by week.",
            (
                Column("week", "Week", "week"),
                Column(("sessions_done", "sessions_prescribed"), "Sessions done / prescribed", "fraction"),
                *((Column("minutes_done", "Minutes", "count"),) if "minutes_done" in table else ()),
            ),
            name="sessions-by-week",
            rows_grouped_by="modality",
        ),
        draw=draw,
    )


def _total_in_words(row: Any) -> str:
    if not row.weeks:
        return "what was prescribed or done is not known"
    if not row.prescribed:
        return f"{numbers.count(row.done)} done, none prescribed"
    return f"{numbers.fraction(row.done, row.prescribed)} ({numbers.share(row.share)}) over {numbers.plural(row.weeks, 'week')}"


def session_totals(sessions: pd.DataFrame) -> pd.DataFrame:
    """Add up the sessions of one patient by modality.

    The columns are modality, weeks (with both numbers), done (in weeks with some prescribed; where none ever was, all), prescribed,
    share (missing where none was prescribed), words (what is shown instead of a share; missing where there is one).

    Examples
    --------
    >>> rows = pd.DataFrame({"modality": "exercise", "week": [1, 2], "sessions_prescribed": [5, 5], "sessions_done": [4, 3]})
    >>> session_totals(rows)["share"].tolist()
    [0.7]
    """
    known = sessions.dropna(subset=["sessions_done", "sessions_prescribed"])
    rows = []
    for modality in dict.fromkeys(sessions["modality"].astype("str")):
        own = known[known["modality"].astype("str") == modality]
        asked = own[own["sessions_prescribed"] > 0]
        prescribed = float(asked["sessions_prescribed"].sum())
        done = float((asked if prescribed else own)["sessions_done"].sum())
        share = done / prescribed if prescribed else float("nan")
        words = None if prescribed else f"{numbers.count(done)}, none prescribed" if len(own) else "not known"
        rows.append((modality, int(own["week"].nunique()), done, prescribed, share, words))
    return pd.DataFrame(rows, columns=["modality", "weeks", "done", "prescribed", "share", "words"])


def brace_figure(brace: pd.DataFrame, motion: pd.DataFrame, *, until: float) -> Figure:
    """Draw the limits of the brace, at least one, with the motion measured in between; its table has a row a change of the limits.

    ``motion`` has week, direction ("flexion" or "extension") and value in degrees, as the brace counts: extension beyond straight
    is negative. It may have no row. ``until`` is the week until which the brace is worn.
    """
    limits = brace.sort_values("week").reset_index(drop=True)
    end = max(until, float(motion["week"].max()) if len(motion) else 0.0)

    def draw(width: Width) -> Drawing:
        drawing = new_drawing(width, 2.9)
        axes = drawing.add_subplot()
        weeks = np.append(limits["week"].to_numpy(dtype=float), until)
        flexion, extension = (
            np.append(limits[name].to_numpy(dtype=float), limits[name].iloc[-1])
            for name in ("flexion_limit_deg", "extension_limit_deg")
        )
        axes.fill_between(weeks, extension, flexion, step="post", color=FAINT, alpha=0.35, linewidth=0)
        axes.step(weeks, flexion, where="post", color=_FLEXION, label="flexion limit")
        dash = (0, (6, 2))
        axes.step(weeks, extension, where="post", color=_EXTENSION, linestyle=dash, label="extension limit")
        for direction, colour, marker in (("flexion", _FLEXION, "o"), ("extension", _EXTENSION, "s")):
            own = motion[motion["direction"] == direction]
            if len(own):
                axes.plot(own["week"], own["value"], marker, color=colour, label=f"{direction} measured")
        locked = limits[limits["locked"].fillna(value=False)] if "locked" in limits else limits.iloc[:0]
        for week, top in zip(locked["week"].astype(float), locked["flexion_limit_deg"].astype(float), strict=True):
            axes.annotate("locked", (week, top), xytext=(3, 5), textcoords="offset points", fontsize=7.5, color=INK)
        shown = sorted({*limits["week"].astype(float), *motion["week"].astype(float), end})
        week_axis(axes, shown, inches=axes_inches(width))
        axes.set_ylabel("Degrees of flexion")
        quiet_grid(axes)
        drawing.legend(loc="outside upper left", ncols=4 if width == "wide" else 2)
        return drawing

    last = limits.iloc[-1]
    table = limits.assign(
        locked=yes_no(limits, "locked", "locked", "open"),
        both_hinges_agree=yes_no(limits, "both_hinges_agree"),
    )
    return Figure(
        name="brace",
        title="Limits of the brace and motion measured",
        caption=(
            "Steps: the motion that the hinges allowed, while the brace is worn. Points: motion measured at visits. Degrees of "
            "flexion; extension beyond straight is below zero."
        ),
        alt=(
            f"Limits of the brace, changed {numbers.plural(len(limits) - 1, 'time')}: last set at {numbers.moment(last['week'])} to "
            f"{numbers.number(last['extension_limit_deg'], 0)} to {numbers.number(last['flexion_limit_deg'], 0)} degrees."
        ),
        table=Table(
            table,
            "Settings of the brace.",
            (
                Column("week", "From week", "week"),
                Column("extension_limit_deg", "Extension limit (deg)", "number", 0),
                Column("flexion_limit_deg", "Flexion limit (deg)", "number", 0),
                Column("locked", "Hinges"),
                Column("both_hinges_agree", "Both hinges alike"),
            ),
            name="brace",
        ),
        draw=draw,
    )


def yes_no(frame: pd.DataFrame, name: str, yes: str = "yes", no: str = "no") -> pd.Series:
    """Say a column of true and false in words; missing where it is not known or not there.

    Examples
    --------
    >>> yes_no(pd.DataFrame({"locked": [True, False]}), "locked", "locked", "open").tolist()
    ['locked', 'open']
    """
    values = frame[name] if name in frame else pd.Series([pd.NA] * len(frame), index=frame.index)
    words = [None if pd.isna(value) else yes if value else no for value in values]
    return pd.Series(words, index=frame.index, dtype="str")
