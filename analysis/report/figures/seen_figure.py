"""The figure of the values as they were measured, week by week."""

from collections.abc import Sequence

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure as Drawing

from analysis.cohort.measures import Measure
from analysis.report.parts import numbers
from analysis.report.parts.axes import legend_above, panel_grid, wrap
from analysis.report.parts.figures import Figure
from analysis.report.parts.look import MOST_IN_ONE_PANEL, OF_PATIENTS, Width, marks, quiet_grid, without_markers
from analysis.report.parts.numbers import in_text, shown_decimals
from analysis.report.parts.tables import Column, Table

#: A measure seen at more weeks than this is summarised in eight spans of about equally many visits.
MOST_WEEKS_SHOWN = 12
_ROOM: dict[Width, int] = {"wide": 90, "narrow": 32}


def seen_summary(visits: pd.DataFrame) -> pd.DataFrame:
    """Summarise the values of one measure by protocol and week, or by span of weeks where there are many.

    Parameters
    ----------
    visits : pandas.DataFrame
        As :func:`analysis.cohort.visit_frame` gives it.

    Returns
    -------
    pandas.DataFrame
        protocol, week (text), position, n (patients), mean, standard_deviation, median, lower_quartile,
        upper_quartile, lowest, highest; in the unit of the measure.

    Examples
    --------
    >>> frame = pd.DataFrame({"patient_id": ["a", "b"], "protocol": "usual", "week": [6, 6], "value": [1.0, 3.0]})
    >>> seen_summary(frame)[["week", "n", "mean"]].values.tolist()
    [['6', 2, 2.0]]
    """
    known, words = _placed(visits)
    grouped = known.groupby(["protocol", "position"], sort=True)
    value = grouped["value"]
    table = pd.DataFrame(
        {
            "n": grouped["patient_id"].nunique(),
            "mean": value.mean(),
            "standard_deviation": value.std(),
            "median": value.median(),
            "lower_quartile": value.quantile(0.25),
            "upper_quartile": value.quantile(0.75),
            "lowest": value.min(),
            "highest": value.max(),
        }
    ).reset_index()
    table.insert(1, "week", [words[position] for position in table["position"]])
    order = {name: place for place, name in enumerate(_order(visits["protocol"]))}
    return table.sort_values(by=["protocol", "position"], key=lambda s: s.map(order) if s.name == "protocol" else s)


def seen_figure(visits: pd.DataFrame, measure: Measure) -> Figure:
    """Draw the values measured by week and protocol as boxes; the table summarises each.

    ``visits`` are as :func:`analysis.cohort.visit_frame` gives them, with at least one value.
    """
    table = seen_summary(visits)
    names = [name for name in _order(visits["protocol"]) if name in set(table["protocol"])]
    drawn = marks(names)
    known, words = _placed(visits)
    decimals = shown_decimals(measure)

    def draw(width: Width) -> Drawing:
        together = len(names) <= MOST_IN_ONE_PANEL and width == "wide"
        groups = [names] if together else [[name] for name in names]
        above, height = (0.0, 3.1) if together else (0.4, 1.9)
        drawing, panels = panel_grid(len(groups), width, above=above, height=height, sharex=True, sharey=True)
        columns = panels.shape[1]
        for group, axes in zip(groups, panels.flat, strict=False):
            for place, name in enumerate(group):
                _draw_boxes(axes, known[known["protocol"] == name], drawn[name].colour, place, len(group))
            axes.set_xlim(-0.6, len(words) - 0.4)
            quiet_grid(axes)
            if not together:
                axes.set_title(wrap(group[0], 44 if columns == 1 else 27), color=drawn[group[0]].colour)
        for axes in panels[:, 0]:
            axes.set_ylabel(f"{wrap(measure.label, 26)}\n({measure.unit})")
        shown = [words[position] for position in sorted(words)]
        for axes in panels.flat[max(0, len(groups) - columns) : len(groups)]:
            axes.set_xlabel("Weeks")
            axes.set_xticks(range(len(words)), shown)
            axes.tick_params(axis="x", labelbottom=True)
            if sum(len(word) + 2 for word in shown) > _ROOM[width] / columns:
                axes.tick_params(axis="x", rotation=45)
        if together and len(names) > 1:
            legend_above(drawing, without_markers(drawn, dashes=False), width)
        return drawing

    return Figure(
        name="seen",
        title=f"{measure.label} as measured",
        caption=(
            f"Values in {measure.unit}: boxes span the middle half of the patients seen, the line inside is the "
            "median, whiskers reach the furthest value within one and a half box heights, points lie beyond. "
            "Within a week the protocols stand in the order in which they are named. "
            "These are the patients who came; the model means of the recovery curves allow for those who did not."
        ),
        alt=_seen_in_words(table, _order(visits["protocol"]), measure, decimals),
        table=Table(
            table,
            f"{measure.label} ({measure.unit}) of the patients seen, by week.",
            (
                Column("week", "Week", "text"),
                Column("n", "Patients seen", "count"),
                Column("mean", "Mean", "number", decimals),
                Column("standard_deviation", "SD", "number", decimals),
                Column("median", "Median", "number", decimals),
                Column(("lower_quartile", "upper_quartile"), "Quartiles", "interval", decimals),
                Column(("lowest", "highest"), "Range", "interval", decimals),
            ),
            ("SD: standard deviation.",),
            name="seen",
            rows_grouped_by="protocol",
        ),
        draw=draw,
    )


def _placed(visits: pd.DataFrame) -> tuple[pd.DataFrame, dict[int, str]]:
    """Give the visits with a value, each with the place of its week, and the names of the places."""
    known = visits[visits["value"].notna()]
    position, words = _spans(known["week"])
    return known.assign(protocol=known["protocol"].astype("str"), position=position), words


def _spans(weeks: pd.Series) -> tuple[pd.Series, dict[int, str]]:
    """Give each visit the place of its week, or of a span of weeks with about equally many visits, and their names."""
    distinct = sorted(float(week) for week in weeks.unique())
    if len(distinct) <= MOST_WEEKS_SHOWN:
        place = {week: position for position, week in enumerate(distinct)}
        return weeks.astype(float).map(place), {position: numbers.week_or_day(week) for week, position in place.items()}
    edges = np.unique(np.quantile(weeks.to_numpy(dtype=float), np.linspace(0, 1, 9)))
    position = np.clip(np.searchsorted(edges, weeks.to_numpy(dtype=float), side="right") - 1, 0, len(edges) - 2)
    exact = weeks.to_numpy(dtype=float)
    words = {
        int(span): f"{numbers.week(exact[position == span].min())} to {numbers.week(exact[position == span].max())}"
        for span in np.unique(position)
    }
    return pd.Series(position, index=weeks.index), words


def _draw_boxes(axes: Axes, known: pd.DataFrame, colour: str, place: int, of: int) -> None:
    """Draw the boxes of one protocol, beside those of the others at each week."""
    width = 0.72 / of
    shift = (place - (of - 1) / 2) * width
    values, positions = known["value"].to_numpy(dtype=float), known["position"].to_numpy(dtype=int)
    grouped = {int(position): values[positions == position] for position in np.unique(positions)}
    line = {"color": colour, "linewidth": 1.0}
    axes.boxplot(
        list(grouped.values()), positions=[position + shift for position in grouped], widths=0.82 * width,
        manage_ticks=False, boxprops=line, whiskerprops=line, capprops=line, medianprops={**line, "linewidth": 1.8},
        flierprops={"markeredgecolor": colour, "markersize": 2.0, "marker": "o", **OF_PATIENTS},
    )  # fmt: skip


def _order(protocol: pd.Series) -> list[str]:
    return [str(name) for name in protocol.astype("category").cat.categories]


def _at(week: str) -> str:
    return week if week.startswith("day") else f"week {week}"


def _seen_in_words(table: pd.DataFrame, names: Sequence[str], measure: Measure, decimals: int) -> str:
    """Say the median of each protocol at its first and last visit, and of whom nobody was seen, then or at all."""
    parts = []
    for name in names:
        one = table[table["protocol"] == name]
        if one.empty:
            parts.append(f"{name}: nobody seen")
            continue
        first, last = one.iloc[0], one.iloc[-1]
        to = f" to {_median(last, decimals)}" if len(one) > 1 else ""
        later = ", nobody seen later" if last["position"] < table["position"].max() else ""
        parts.append(f"{name} {'from ' if to else ''}{_median(first, decimals)}{to}{later}")
    return f"Boxes of {in_text(measure.label)} by week. Median in {measure.unit}: {'; '.join(parts)}."


def _median(row: pd.Series, decimals: int) -> str:
    return f"{numbers.number(row['median'], decimals)} at {_at(row['week'])} ({numbers.plural(row['n'], 'patient')})"
