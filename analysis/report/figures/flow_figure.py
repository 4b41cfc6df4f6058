"""The flow of patients as a diagram: allocated, with a baseline, seen at each week, lost and why."""

from collections.abc import Sequence

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure as Drawing

from analysis.outcomes.patients.patient_flow import PatientFlow, counted_at, reasons_at
from analysis.report.parts import numbers
from analysis.report.parts.axes import wrap
from analysis.report.parts.figures import Figure
from analysis.report.parts.look import FAINT, INK, PAPER, QUIET, Mark, Width, inches_of, marks, new_drawing
from analysis.report.parts.tables import Column, Table

#: More protocols than this are shown in the table only.
MOST_COLUMNS = 4
_REASONS_SHOWN = 4
#: Where the counts before the protocols come from, and the width of their boxes in inches at most.
_GIVEN = "Counts of those assessed, excluded and given the protocol are the authors' own (table flow of the cohort)."
_EARLY_INCHES = 3.4
_LINE = 0.155
#: Letters of an inch of a line, and nearer to what they take where every line counts.
_LETTERS, _LOW_LETTERS = 14, 15
#: Inches that the lines of a box have above and below together, and that lie between boxes; less in smaller letters.
_AIR, _GAP, _LESS = 0.16, 0.2, 0.7
#: Letters on a slide are larger by this, on a printed page smaller.
_ON_A_SLIDE, _IN_PRINT = 1.4, 0.82


def flow_figure(
    found: PatientFlow,
    *,
    told: str,
    message: str = "",
    on_slide: dict[str, list[list[str]]] | None = None,
    modelled: pd.Series | None = None,
    modelled_words: str = "",
) -> Figure:
    """Draw the flow of one to four protocols, a column each; its table has the numbers at every week.

    ``told`` says the same in words, ``message`` is the title of a slide and ``on_slide`` the boxes of lines by protocol that
    are drawn there. ``modelled`` has the patients in the model by protocol, ``modelled_words`` what it is of.
    """
    names = [str(name) for name in found.allocated["protocol"]]
    drawn = marks(names)
    boxes = {name: _boxes(found, name, modelled, modelled_words) for name in names}
    total = int(found.allocated["allocated"].sum())
    early = _early(found.before)

    def draw(width: Width) -> Drawing:
        return _draw(boxes, drawn, total, width, columns=len(names) if width == "wide" else 1, early=early)

    def draw_for_slide() -> Drawing:
        return _draw(on_slide or boxes, drawn, total, "wide", columns=len(names), scale=_ON_A_SLIDE)

    def draw_for_print() -> Drawing:
        low = {name: _boxes(found, name, modelled, modelled_words, weeks_a_line=2) for name in names}
        return _draw(low, drawn, total, "wide", columns=len(names), scale=_IN_PRINT, early=early)

    return Figure(
        name="flow",
        title="Patient flow",
        caption=" ".join(["Read each column downwards.", *([_GIVEN] if before_table(found) else []), *found.notes]),
        alt=told,
        table=Table(
            found.by_week,
            "Patients seen at each week, by protocol.",
            (
                Column("week", "Week", "week"),
                Column("allocated", "Patients", "count"),
                Column(("seen", "due"), _seen_heading(found), "fraction with share"),
                Column("missed_seen_later", "Missed, seen later", "count"),
                Column("not_seen_again", "Not seen again", "count"),
            ),
            found.notes,
            name="flow",
            rows_grouped_by="protocol",
        ),
        draw=draw,
        message=message,
        draw_for_slide=draw_for_slide,
        draw_for_print=draw_for_print,
    )


def _seen_heading(found: PatientFlow) -> str:
    """Say of whom were seen, where not all of the protocol were due."""
    return "Seen" if found.by_week["due"].eq(found.by_week["allocated"]).all() else "Seen of those due"


def flow_across(found: PatientFlow) -> Table:
    """Show how many patients were seen with a row a protocol and a column a week, for many protocols."""
    wide = found.by_week.pivot_table(index="protocol", columns="week", values="seen", sort=False).reset_index()
    wide.columns = ["protocol", *(f"week {float(week):g}" for week in wide.columns[1:])]
    table = found.allocated[["protocol", "allocated"]].merge(wide, on="protocol", how="left")
    weeks = [str(name) for name in wide.columns[1:]]
    return Table(
        table,
        "Patients of each protocol, and how many were seen at each week.",
        (
            Column("protocol", "Protocol"),
            Column("allocated", "Patients", "count"),
            *(Column(name, name.capitalize(), "count", group="Seen") for name in weeks),
        ),
        found.notes,
        name="flow",
    )


def before_table(found: PatientFlow) -> Table | None:
    """Show the counts given of the steps before and at the start; None where none are."""
    if found.before is None or found.before.empty:
        return None
    told = {
        "assessed": "assessed for eligibility",
        "received": "received the protocol",
        "not received": "did not receive it",
    }
    rows = found.before.reindex(columns=["step", "protocol", "reason", "patients"]).copy()
    rows["step"] = rows["step"].astype("str").replace(told)
    rows["patients"] = rows["patients"].convert_dtypes()  # whole numbers
    for name in ("protocol", "reason"):
        rows[name] = rows[name].astype("object").where(rows[name].notna(), "")
    return Table(
        rows,
        "Patients before and at the start, as counted by the authors.",
        (
            Column("step", "Step"),
            Column("protocol", "Protocol"),
            Column("reason", "Reason"),
            Column("patients", "Patients", "count"),
        ),
        name="before",
    )


def lost_table(found: PatientFlow) -> Table:
    """Show who was lost before the last week, and why."""
    return Table(
        found.lost,
        f"Patients not seen at {numbers.moment(found.weeks[-1])} nor later, with the reason on record.",
        (
            Column("reason", "Reason"),
            Column(("patients", "allocated"), "Patients", "fraction with share"),
        ),
        name="lost",
        rows_grouped_by="protocol",
    )


def _boxes(
    found: PatientFlow, name: str, modelled: pd.Series | None, modelled_words: str, *, weeks_a_line: int = 1
) -> list[list[str]]:
    row = found.allocated[found.allocated["protocol"] == name].iloc[0]
    weeks = found.by_week[found.by_week["protocol"] == name]
    boxes = [
        [name, f"patients: {numbers.count(row['allocated'])}"],
        *_received(found.before, name),
        [f"with a baseline: {numbers.count(row['with_baseline'])}"],
    ]
    by_week = [f"{numbers.moment(one.week)}: {numbers.count(one.seen)}" for one in weeks.itertuples() if one.week != 0]
    starts = range(0, len(by_week), weeks_a_line)
    seen = [f"seen at {', '.join(by_week[start : start + weeks_a_line])}" for start in starts]
    boxes.append(seen or [f"seen after the baseline: {numbers.count(row['seen_after_baseline'])}"])
    lost = found.lost[found.lost["protocol"] == name].sort_values("patients", ascending=False)
    if found.weeks:
        head = f"lost by {numbers.moment(found.weeks[-1])}: {numbers.count(lost['patients'].sum())}"
        shown = [f"– {one.reason}: {numbers.count(one.patients)}" for one in lost.head(_REASONS_SHOWN).itertuples()]
        rest = int(lost["patients"].iloc[_REASONS_SHOWN:].sum())
        boxes.append([head, *shown, *([f"– other reasons: {rest}"] if rest else [])])
    if modelled is not None:
        boxes.append([f"{modelled_words}: {numbers.count(modelled.get(name, 0))}"])
    return boxes


def _early(before: pd.DataFrame | None) -> list[list[str]]:
    """Give the boxes above the protocols, in order; none where no counts are given."""
    if before is None:
        return []
    assessed, excluded = counted_at(before, "assessed"), counted_at(before, "excluded")
    boxes = [[f"assessed for eligibility: {numbers.count(assessed)}"]] if assessed is not None else []
    if excluded is not None:
        boxes.append([f"excluded: {numbers.count(excluded)}", *_reasons(before, "excluded", None)])
    return boxes


def _received(before: pd.DataFrame | None, name: str) -> list[list[str]]:
    """Give the box with those who received a protocol, where a count is given of any."""
    if before is None or counted_at(before, "received") is None:
        return []
    received, without = counted_at(before, "received", name), counted_at(before, "not received", name)
    known = "not known" if received is None else numbers.count(received)
    box = [f"received the protocol: {known}"]
    if without:
        box.append(f"did not receive it: {numbers.count(without)}")
    return [[*box, *_reasons(before, "not received", name)]]


def _reasons(before: pd.DataFrame, step: str, name: str | None) -> list[str]:
    known = reasons_at(before, step, name)
    rest = sum(n for _, n in known[_REASONS_SHOWN:])
    lines = [f"– {reason}: {numbers.count(n)}" for reason, n in known[:_REASONS_SHOWN]]
    return [*lines, *([f"– other reasons: {numbers.count(rest)}"] if rest else [])]


def _draw(
    boxes: dict[str, list[list[str]]],
    drawn: dict[str, Mark],
    total: int,
    width: Width,
    columns: int,
    scale: float = 1.0,
    early: Sequence[list[str]] = (),
) -> Drawing:
    names, (air, gap) = list(boxes), _air_and_gap(scale)
    inches = (inches_of(width) - 0.1) / columns
    letters = int(inches * (_LETTERS if scale >= 1 else _LOW_LETTERS) / scale) - 4
    wrapped = {name: [_wrapped(box, letters) for box in boxes[name]] for name in names}
    if columns > 1:
        wrapped = _level(wrapped)
    heights = {name: sum(air + gap + scale * _LINE * len(box) for box in wrapped[name]) - gap for name in names}
    tallest = max(heights.values()) if columns > 1 else sum(heights.values()) + 0.25 * (len(names) - 1)
    aside = columns > 1  # who was excluded stands beside the way of the others, where there is room
    across = min(_EARLY_INCHES, inches_of(width) / (2 if aside else 1) - 0.22)
    first = [_wrapped(box, int(across * 14 / scale) - 4) for box in early]
    above = sum(air + gap + scale * _LINE * len(box) for box in first)
    drawing = new_drawing(width, above + tallest + 0.62)
    drawing.set_layout_engine("none")
    axes = drawing.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_xlim(0, inches_of(width))
    axes.set_ylim(-(above + tallest + 0.62), 0)
    axes.set_axis_off()
    middle = inches_of(width) / 2
    _draw_early(axes, first, middle, across, scale, aside=aside)
    axes.text(
        middle, -above - 0.22, f"{'Allocated' if early else 'All patients'}: {numbers.count(total)}", ha="center", va="center",
        fontsize=9 * scale, fontweight="bold", color=INK,
    )  # fmt: skip
    top = -above - 0.55
    for position, name in enumerate(names):
        left = 0.05 + (position * inches if columns > 1 else 0.0)
        bottom = _draw_column(axes, wrapped[name], drawn[name], left + 0.06, inches - 0.12, top, scale)
        if columns == 1:
            top = bottom - 0.25
    return drawing


def _air_and_gap(scale: float) -> tuple[float, float]:
    return (_AIR, _GAP) if scale >= 1 else (_LESS * _AIR, _LESS * _GAP)


def _wrapped(lines: list[str], letters: int) -> list[str]:
    return [part for line in lines for part in wrap(line, letters).split("\n")]


def _level(columns: dict[str, list[list[str]]]) -> dict[str, list[list[str]]]:
    """Give neighbouring boxes the same number of lines, so that the columns stay level."""
    lines = [max(len(box) for box in row) for row in zip(*columns.values(), strict=True)]
    return {
        name: [box + [""] * (most - len(box)) for box, most in zip(boxes, lines, strict=True)]
        for name, boxes in columns.items()
    }


def _draw_early(axes: Axes, boxes: list[list[str]], middle: float, across: float, scale: float, *, aside: bool) -> None:
    """Draw the boxes above the protocols; ``aside``, those after the first stand to the right of the way downwards."""
    top, gap = -0.06, _air_and_gap(scale)[1]
    for place, lines in enumerate(boxes):
        beside = aside and place > 0
        left = middle + 0.17 if beside else middle - across / 2
        bottom = _draw_box(axes, lines, FAINT if place else INK, left, across, top, scale, bold=place == 0)
        if beside:
            _arrow(axes, (middle, (top + bottom) / 2), (left, (top + bottom) / 2))
        _arrow(
            axes, (middle, top if beside else bottom), (middle, bottom - gap), head=not aside or place == len(boxes) - 1
        )
        top = bottom - gap


def _draw_column(
    axes: Axes, boxes: list[list[str]], mark: Mark, left: float, width: float, top: float, scale: float
) -> float:
    gap = _air_and_gap(scale)[1]
    for position, lines in enumerate(boxes):
        colour = mark.colour if position == 0 else FAINT
        top = _draw_box(axes, lines, colour, left, width, top, scale, bold=position == 0)
        if position < len(boxes) - 1:
            _arrow(axes, (left + width / 2, top), (left + width / 2, top - gap))
            top -= gap
    return top


def _draw_box(
    axes: Axes, lines: list[str], colour: str, left: float, width: float, top: float, scale: float, *, bold: bool
) -> float:
    """Draw a box and give where it ends; ``bold``, its words have its colour too."""
    from matplotlib.patches import FancyBboxPatch

    air, _ = _air_and_gap(scale)
    height = air + scale * _LINE * len(lines)
    axes.add_patch(
        FancyBboxPatch(
            (left, top - height), width, height, boxstyle="round,pad=0,rounding_size=0.05", linewidth=0.9,
            facecolor=PAPER, edgecolor=colour,
        )
    )  # fmt: skip
    for number, line in enumerate(lines):
        axes.text(
            left + 0.09, top - air / 2 - scale * _LINE * (number + 0.5), line, ha="left", va="center", fontsize=7.8 * scale,
            color=colour if bold else INK, fontweight="bold" if bold else "normal",
        )  # fmt: skip
    return top - height


def _arrow(axes: Axes, start: tuple[float, float], end: tuple[float, float], *, head: bool = True) -> None:
    axes.annotate(
        "", xy=end, xytext=start,
        arrowprops={"arrowstyle": "-|>" if head else "-", "color": QUIET, "linewidth": 0.8, "shrinkA": 0, "shrinkB": 0},
    )  # fmt: skip
