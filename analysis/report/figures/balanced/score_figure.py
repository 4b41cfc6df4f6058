"""The chances that patients had of each protocol, given what was known before: where groups overlap, and where they do not."""

import numpy as np
import pandas as pd
from matplotlib.figure import Figure as Drawing

from analysis.outcomes.unrandomised.balance_weights import BalanceWeights
from analysis.report.parts import numbers
from analysis.report.parts.axes import legend_above, panel_grid, wrap
from analysis.report.parts.figures import Figure
from analysis.report.parts.look import Width, marks, quiet_grid, without_markers
from analysis.report.parts.tables import Column, Table

_BANDS = 20


def score_figure(found: BalanceWeights) -> Figure:
    """Draw how the chances of a protocol lie among the patients of each; of two protocols one panel says all."""
    names = list(found.protocols)
    shown = names[1:] if len(names) == 2 else names
    own = found.given.astype("str")
    table = pd.concat([_counted(found.scores[name], own, names, name) for name in shown], ignore_index=True)
    overlap = found.overlap
    said = "; ".join(
        f"{name} {numbers.number(ess, 0)} of {numbers.count(n)}"
        for name, ess, n in zip(overlap["protocol"], overlap["ess"], overlap["n"], strict=True)
    )
    return Figure(
        name="scores",
        title="Who could have had which protocol",
        caption=(
            "Share of the patients of each protocol by their chance of one of them, given what was known before the start "
            "(multinomial logistic model). Where the lines lie over each other, patients of both can be compared."
        ),
        alt=(
            f"Chances of {numbers.listed(shown)} among the patients of {numbers.listed(names)}. After weighting the patients stand for as "
            f"many equally weighted ones as: {said}."
        ),
        table=Table(
            overlap,
            "What the weights of each protocol stand for.",
            (
                Column("protocol", "Protocol"),
                Column("n", "Patients", "count"),
                Column("ess", "Stand for", "number", 1),
                Column("largest_share", "Largest share of one patient", "share", 1),
                Column(("lowest_score", "highest_score"), "Chances of it, of all patients", "interval", 2),
            ),
            ("Stand for: the sum of the weights squared, over the sum of their squares.",),
            name="scores",
        ),
        draw=lambda width: _draw(table, names, shown, width),
    )


def _counted(scores: pd.Series, own: pd.Series, names: list[str], of: str) -> pd.DataFrame:
    edges = np.linspace(0.0, 1.0, _BANDS + 1)
    parts = []
    for name in names:
        mine = scores[own == name].to_numpy(dtype=float)
        share = np.histogram(mine, edges)[0] / max(len(mine), 1)
        parts.append(pd.DataFrame({"of": of, "protocol": name, "from": edges[:-1], "to": edges[1:], "share": share}))
    return pd.concat(parts, ignore_index=True)


def _draw(table: pd.DataFrame, names: list[str], shown: list[str], width: Width) -> Drawing:
    drawn = marks(names)
    drawing, panels = panel_grid(len(shown), width, above=0.5 + 0.2 * len(names), height=2.0, sharex=True, sharey=True)
    for of, axes in zip(shown, panels.flat, strict=False):
        for name in names:
            own = table[(table["of"] == of) & (table["protocol"] == name)]
            edges = [*own["from"], float(own["to"].iloc[-1])]
            axes.stairs(100 * own["share"], edges, color=drawn[name].colour, linestyle=drawn[name].dash, linewidth=1.6)
        axes.set_title(wrap(f"Chance of {of}", 27), color=drawn[of].colour)
        axes.set_xlim(0, 1)
        quiet_grid(axes)
    for axes in panels[-1]:
        axes.set_xlabel("Chance, given what was known before")
    for axes in panels[:, 0]:
        axes.set_ylabel("Patients (%)")
    legend_above(drawing, without_markers(drawn), width)
    return drawing
