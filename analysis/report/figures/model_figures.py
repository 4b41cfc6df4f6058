"""Figures that show whether a mixed model fits: residuals, their quantiles, and the patients' effects."""

import itertools
from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure as Drawing
from numpy.typing import NDArray

from analysis.curves.mixed_model import MixedModel
from analysis.report.parts import numbers
from analysis.report.parts.axes import axes_inches, panel_grid, week_axis, wrap, zero_line
from analysis.report.parts.figures import Figure
from analysis.report.parts.look import FAINT, INK, OF_PATIENTS, QUIET, Width, new_drawing, quiet_grid
from analysis.report.parts.numbers import decimals_for
from analysis.report.parts.tables import Column, Table

_POINT = "#0067a3"
#: More points than this are drawn as a density.
_MOST_POINTS = 4000
_BINS = 8
_QUANTILES = (0.01, 0.05, 0.25, 0.5, 0.75, 0.95, 0.99)


def residual_figure(model: MixedModel) -> Figure:
    """Draw the residuals against week and against the fitted mean.

    Parameters
    ----------
    model : MixedModel
        A fit from rows.

    Returns
    -------
    Figure
        Its table summarises the residuals in spans of the week.
    """
    table = model.residuals()
    week = table[model.design.week].to_numpy(dtype=float)
    fitted = table["fitted"].to_numpy(dtype=float)
    residual = table["decorrelated"].to_numpy(dtype=float)
    summary = _by_span(week, residual)

    def draw(width: Width) -> Drawing:
        columns = 2 if width == "wide" else 1
        drawing = new_drawing(width, 2.6 if columns == 2 else 4.8)
        panels = drawing.subplots(3 - columns, columns, sharey=True, squeeze=False).flat
        for axes, across, name in zip(panels, (week, fitted), ("Weeks", "Fitted mean"), strict=True):
            _scatter(axes, across, residual)
            middle = _by_span(across, residual)
            axes.plot(middle["middle"], middle["mean"], color=INK, linewidth=1.6)
            zero_line(axes)
            for limit in (-1.96, 1.96):
                axes.axhline(limit, color=QUIET, linewidth=0.7, linestyle=":")
            if name == "Weeks" and len(summary) == len(np.unique(week)):
                week_axis(axes, np.unique(week).tolist(), inches=axes_inches(width, columns=columns))
            axes.set_xlabel(name)
            axes.set_ylabel("Residual" if axes.get_subplotspec().is_first_col() else "")
        return drawing

    beyond = int((np.abs(residual) > 1.96).sum())
    return Figure(
        name="residuals",
        title="Residuals against week and fitted mean",
        caption=(
            "Residuals made independent within the patient and scaled to variance one; a good model leaves them level "
            "around zero, of even spread, with about 1 in 20 beyond the dotted lines (±1.96). The dark line is their "
            "mean by span."
        ),
        alt=(
            f"Residuals of {numbers.plural(len(residual), 'visit')} against week and fitted mean: "
            f"{numbers.share(beyond / len(residual), 1)} lie beyond ±1.96, where 5 % are expected; the mean by span of "
            f"weeks runs from {numbers.signed(summary['mean'].min(), 2)} to {numbers.signed(summary['mean'].max(), 2)}."
        ),
        table=Table(
            summary,
            "Residuals by span of weeks.",
            (
                Column("span", "Weeks"),
                Column("n", "Visits", "count"),
                Column("mean", "Mean", "signed", 2),
                Column("standard_deviation", "SD", "number", 2),
                Column(("beyond", "n"), "Beyond ±1.96", "fraction with share"),
            ),
            name="residuals",
        ),
        draw=draw,
    )


def quantile_figure(model: MixedModel) -> Figure:
    """Draw the quantiles of the residuals against those of the normal distribution.

    Parameters
    ----------
    model : MixedModel
        A fit from rows.

    Returns
    -------
    Figure
        Its table has some quantiles beside the normal ones.
    """
    from scipy import stats

    values = np.sort(model.residuals()["decorrelated"].to_numpy(dtype=float))
    expected = stats.norm.ppf((np.arange(len(values)) + 0.5) / len(values))
    table = pd.DataFrame(
        {"share": _QUANTILES, "normal": stats.norm.ppf(_QUANTILES), "seen": np.quantile(values, _QUANTILES)}
    )
    agreement = float(np.corrcoef(expected, values)[0, 1]) if len(values) > 2 else float("nan")

    def draw(width: Width) -> Drawing:
        drawing = new_drawing(width, 3.1)
        axes = drawing.add_subplot()
        limit = max(float(np.abs(expected).max()), float(np.abs(values).max())) * 1.05
        axes.plot([-limit, limit], [-limit, limit], color=INK, linewidth=0.9)
        axes.plot(expected, values, ".", color=_POINT, markersize=3, **OF_PATIENTS)
        axes.set_xlabel("Normal quantile")
        axes.set_ylabel("Residual")
        axes.set_aspect("equal")
        quiet_grid(axes, "both")
        return drawing

    low, high = np.quantile(values, [0.05, 0.95])
    return Figure(
        name="quantiles",
        title="Quantiles of the residuals",
        caption=(
            "Residuals made independent within the patient against what the normal distribution would give; points on "
            "the line mean that it fits. Estimates of means bear moderate departures well in all but small groups."
        ),
        alt=(
            f"Ordered residuals against normal quantiles, correlation {numbers.number(agreement, 3)}. The lowest and "
            f"highest twentieth begin at {numbers.signed(low, 2)} and {numbers.signed(high, 2)}, where the normal "
            "distribution has −1.64 and +1.64."
        ),
        table=Table(
            table,
            "Quantiles of the residuals beside the normal ones.",
            (
                Column("share", "Share below", "share"),
                Column("normal", "Normal", "signed", 2),
                Column("seen", "Seen", "signed", 2),
            ),
            name="quantiles",
        ),
        draw=draw,
    )


def patient_effect_figure(model: MixedModel) -> Figure:
    """Draw each patient's effects in order of size, with their intervals.

    Parameters
    ----------
    model : MixedModel
        A fit from rows, with patient effects.

    Returns
    -------
    Figure
        Its table has the spread of each effect; single patients are not in it.
    """
    effects = model.patient_effects()
    decimals = decimals_for(effects["estimate"].abs().tolist())
    summary = effects.groupby("effect", sort=False)["estimate"].describe().drop(columns="mean").reset_index()
    quartiles = ["lower_quartile", "median", "upper_quartile"]
    summary.columns = pd.Index(["effect", "n", "standard_deviation", "lowest", *quartiles, "highest"])
    summary = summary.astype({"n": int})
    names = summary["effect"].astype("str").tolist()

    def draw(width: Width) -> Drawing:
        drawing, panels = panel_grid(len(names), width, above=0.3, height=2.6, most=2)
        for name, axes in zip(names, panels.flat, strict=False):
            one = effects[effects["effect"] == name].sort_values("estimate")
            place = np.arange(len(one))
            half = 1.96 * one["std_error"].to_numpy(dtype=float)
            middle = one["estimate"].to_numpy(dtype=float)
            points = 72 * axes_inches(width, columns=panels.shape[1]) / max(len(one), 1)
            lines = min(2.0, 0.45 * points)
            axes.vlines(place, middle - half, middle + half, color=FAINT, linewidth=lines, **OF_PATIENTS)
            axes.plot(place, middle, ".", color=_POINT, markersize=2.5 if len(one) > 80 else 5, **OF_PATIENTS)
            zero_line(axes)
            axes.set_title(f"effect: {wrap(name, 36)}")
            axes.set_xlabel("Patients in order of their effect")
            axes.set_ylabel("Effect, with 95 % interval")
            quiet_grid(axes)
        return drawing

    parts = [
        f"{row.effect}: {numbers.plural(row.n, 'patient')}, standard deviation "
        f"{numbers.number(row.standard_deviation, decimals)}, from {numbers.signed(row.lowest, decimals)} to "
        f"{numbers.signed(row.highest, decimals)}"
        for row in summary.itertuples()
    ]
    return Figure(
        name="patient-effects",
        title="Patients' own effects",
        caption=(
            "How far each patient's curve is from the mean curve of the model, in the unit of the outcome, with 95 % "
            "intervals (1.96 standard errors). The estimates are drawn towards zero, the more so the fewer visits."
        ),
        alt=f"Patients' effects in order of size. {'; '.join(parts)}.",
        table=Table(
            summary,
            "Spread of the estimated patient effects.",
            (
                Column("effect", "Effect"),
                Column("n", "Patients", "count"),
                Column("standard_deviation", "SD of the estimates", "number", decimals),
                Column("median", "Median", "signed", decimals),
                Column(("lower_quartile", "upper_quartile"), "Quartiles", "interval", decimals),
                Column(("lowest", "highest"), "Range", "interval", decimals),
            ),
            name="patient-effects",
        ),
        draw=draw,
    )


def _scatter(axes: Axes, across: NDArray[np.float64], values: NDArray[np.float64]) -> None:
    if len(values) > _MOST_POINTS:
        axes.hexbin(across, values, gridsize=45, cmap="Blues", mincnt=1, linewidths=0, bins="log")
        return
    jitter: Any = np.random.default_rng(0).uniform(-0.004, 0.004, len(values)) * (np.ptp(across) or 1.0)
    axes.plot(across + jitter, values, ".", color=_POINT, alpha=0.45, markersize=3.5, markeredgewidth=0, **OF_PATIENTS)


def _by_span(across: NDArray[np.float64], values: NDArray[np.float64]) -> pd.DataFrame:
    """Summarise values by distinct place, or by spans of about equally many where there are many places."""
    distinct = np.unique(across)
    if len(distinct) <= _BINS:
        place: Sequence[int] | NDArray[np.int64] = np.searchsorted(distinct, across)
        words = [numbers.week_or_day(week) for week in distinct]
    else:
        edges = np.unique(np.quantile(across, np.linspace(0, 1, _BINS + 1)))
        place = np.clip(np.searchsorted(edges, across, side="right") - 1, 0, len(edges) - 2)
        words = [f"{numbers.number(low)} to {numbers.number(high)}" for low, high in itertools.pairwise(edges)]
    frame = pd.DataFrame({"place": place, "across": across, "value": values, "beyond": np.abs(values) > 1.96})
    grouped = frame.groupby("place")
    summary = pd.DataFrame(
        {
            "n": grouped.size(),
            "middle": grouped["across"].mean(),
            "mean": grouped["value"].mean(),
            "standard_deviation": grouped["value"].std(),
            "beyond": grouped["beyond"].sum(),
        }
    ).reset_index()
    summary.insert(0, "span", [words[int(position)] for position in summary["place"]])
    return summary.drop(columns="place")
