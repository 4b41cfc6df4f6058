"""One row a protocol with its estimate and interval at one week: what a slide shows where there are many protocols."""

from collections.abc import Mapping

import pandas as pd
from matplotlib.figure import Figure as Drawing

from analysis.report.parts.axes import wrap
from analysis.report.parts.look import INK, Mark, Width, new_drawing, quiet_grid

#: Inches of a row, and the least height of the picture, which keep it as wide as a slide.
_ROW, _LEAST = 0.29, 2.4


def draw_forest(
    rows: pd.DataFrame,
    drawn: Mapping[str, Mark],
    *,
    label: str,
    zero: bool,
    from_zero: bool = False,
    width: Width = "wide",
) -> Drawing:
    """Draw estimates with intervals, a row a protocol, the first one at the top.

    ``rows`` has protocol, estimate, lower and upper; ``label`` names the axis of values, with the unit; ``zero`` asks for a line at
    no difference, ``from_zero`` for an axis that begins at zero, as shares do.

    Examples
    --------
    >>> import pandas as pd
    >>> from analysis.report.parts.look import marks
    >>> rows = pd.DataFrame({"protocol": ["usual"], "estimate": [1.0], "lower": [0.5], "upper": [1.5]})
    >>> len(draw_forest(rows, marks(["usual"]), label="Difference (points)", zero=True).axes)
    1
    """
    drawing = new_drawing(width, max(_LEAST, 0.7 + _ROW * len(rows)))
    axes = drawing.add_subplot()
    for place, row in enumerate(rows.itertuples()):
        mark = drawn[str(row.protocol)]
        axes.plot([row.lower, row.upper], [place, place], color=mark.colour, linewidth=1.6)  # type: ignore[arg-type]
        axes.plot([row.estimate], [place], color=mark.colour, marker=mark.marker, markersize=5.5, linestyle="none")  # type: ignore[arg-type]
    if zero:
        axes.axvline(0.0, color=INK, linewidth=0.9)
    if from_zero:
        axes.set_xlim(left=0.0)
    letters, lines = (38, 1) if width == "wide" else (16, 2)
    axes.set_yticks(range(len(rows)), [wrap(str(name), letters, lines=lines) for name in rows["protocol"]])
    axes.set_ylim(len(rows) - 0.4, -0.6)
    axes.set_xlabel(label)
    quiet_grid(axes, "x")
    return drawing
