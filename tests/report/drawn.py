"""What a drawing shows: its texts and its numbers, and what a reader would stumble over."""

import itertools

import numpy as np
from matplotlib.collections import LineCollection, PathCollection, PolyCollection
from matplotlib.colors import to_rgb
from matplotlib.text import Text

#: Text needs this contrast with white paper (WCAG 2.2, 1.4.3).
TEXT_CONTRAST = 4.5


def contrast(colour):
    """Return the contrast with white by the formula of WCAG 2.2, 'relative luminance'."""
    return 1.05 / (np.dot([0.2126, 0.7152, 0.0722], linear(colour)) + 0.05)


def difference(one, other):
    """Return how far two colours lie apart, by the formula of CIE 1976 (L*, a*, b*) in daylight; 2.3 is just seen."""
    return float(np.linalg.norm(np.subtract(_lightness(one), _lightness(other))))


def linear(colour):
    return [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in to_rgb(colour)]


def _lightness(colour):
    to_xyz = [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750], [0.0193339, 0.1191920, 0.9503041]]
    x, y, z = np.cbrt(np.maximum(np.dot(to_xyz, linear(colour)) / [0.95047, 1.0, 1.08883], 0.008856))
    return 116 * y - 16, 500 * (x - y), 200 * (y - z)


def texts(drawing):
    """Texts that are drawn, each with its box in dots; labels of ticks outside the view are not drawn."""
    drawing.draw_without_rendering()
    hidden = set()
    for axes in drawing.axes:
        for axis, (low, high) in ((axes.xaxis, sorted(axes.get_xlim())), (axes.yaxis, sorted(axes.get_ylim()))):
            slack = 1e-6 * (high - low)
            ticks = [*axis.get_major_ticks(), *axis.get_minor_ticks()]
            outside = [one for one in ticks if not (axes.axison and low - slack <= one.get_loc() <= high + slack)]
            hidden.update(label for one in outside for label in (one.label1, one.label2))
    found = [one for one in drawing.findobj(Text) if one not in hidden and one.get_visible() and one.get_text().strip()]
    return [(one, one.get_window_extent(drawing.canvas.get_renderer())) for one in found]


def numbers(drawing):
    """All numbers drawn, in the units of the axes: points of lines and areas, dots, cells of an image."""
    found = [np.empty(0)]
    for axes in drawing.axes:
        found += [part for line in axes.lines for part in (line.get_xdata(), line.get_ydata())]
        found += [one.get_offsets() for one in axes.collections if isinstance(one, PathCollection)]
        shapes = [one for one in axes.collections if isinstance(one, (LineCollection, PolyCollection))]
        found += [path.vertices for one in shapes for path in one.get_paths()]
        found += [one.get_array() for one in axes.images]
    return np.concatenate([np.ma.filled(np.ma.asarray(one, dtype=float), np.nan).ravel() for one in found])


def not_drawn(drawing, values):
    """Of these numbers, those that are drawn nowhere."""
    drawn = numbers(drawing)
    known = np.asarray(values, dtype=float)
    return [one for one in known[np.isfinite(known)] if not np.isclose(drawn, one, rtol=1e-6, atol=1e-9).any()]


def rows(axes):
    """Place of each label of the y axis, its lines joined."""
    labels = [" ".join(one.get_text().split()) for one in axes.get_yticklabels()]
    return dict(zip(labels, axes.get_yticks(), strict=True))


def dots(axes, place=None):
    """Marks that stand alone: (x, y, colour, marker); of one row of the y axis, where it is named."""
    found = [
        (float(x), float(y), line.get_color(), line.get_marker())
        for line in axes.lines
        if line.get_marker() not in ("", "None", "_", None)
        and (line.get_linestyle() == "None" or len(line.get_xdata()) == 1)
        for x, y in zip(line.get_xdata(), line.get_ydata(), strict=True)
    ]
    return [one for one in found if np.isfinite(one[0]) and (place is None or abs(one[1] - place) < 1e-9)]


def legend(drawing):
    """Names and colours of the legend, in its order."""
    found = drawing.legends[0]
    names = [" ".join(text.get_text().split()) for text in found.get_texts()]
    return [(name, line.get_color()) for name, line in zip(names, found.get_lines(), strict=True)]


def curve(axes, colour):
    """Points of the one line of a colour in a panel."""
    (line,) = [one for one in axes.lines if one.get_color() == colour and len(one.get_xdata()) > 2]
    return np.asarray(line.get_xdata(), dtype=float), np.asarray(line.get_ydata(), dtype=float)


def problems(drawing):
    """What a reader would stumble over, in words; empty where there is nothing."""
    found = []
    shown = texts(drawing)
    width, height = drawing.canvas.get_width_height()
    for text, box in shown:
        if min(box.x0, box.y0) < -1 or box.x1 > width + 1 or box.y1 > height + 1:
            found.append(f"{text.get_text()!r} reaches out of the picture")
        on_paper = text.axes is None or not text.axes.images
        if on_paper and contrast(text.get_color()) < TEXT_CONTRAST:
            found.append(f"{text.get_text()!r} is too pale to be read")
    for (one, here), (other, there) in itertools.combinations(shown, 2):
        wide, high = min(here.x1, there.x1) - max(here.x0, there.x0), min(here.y1, there.y1) - max(here.y0, there.y0)
        if wide > 2 and high > 2:
            found.append(f"{one.get_text()!r} lies on {other.get_text()!r}")
    framed = [axes for axes in drawing.axes if axes.axison]
    found += ["axes hold nothing" for axes in framed if not axes.has_data()]
    for side in ("x", "y"):
        named = any(getattr(axes, f"get_{side}label")() for axes in framed)
        labels = [one.get_text() for axes in framed for one in getattr(axes, f"get_{side}ticklabels")()]
        if labels and not named and not any(character.isalpha() for label in labels for character in label):
            found.append(f"no {side} axis has a name")
    return found
