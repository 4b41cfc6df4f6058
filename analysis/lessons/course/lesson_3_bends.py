"""Lesson 3, how many bends: splines with more and more pieces through a small clinic, and the next patients."""

from collections.abc import Callable
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.curves.formula.week_functions import natural_spline_basis, spline_knots
from analysis.lessons.drawing import lesson_figure
from analysis.lessons.lesson_table import lesson_table
from analysis.report.parts.figures import Figure
from analysis.report.parts.look import INK, marks

#: A usual curve after knee replacement: start, plateau (degrees), and weeks in which half of the rest is regained.
START, PLATEAU, HALF_LIFE = 85.0, 117.0, 4.6
#: A small clinic, each patient seen once: weeks, and how far one angle strays from the usual curve (degrees).
SMALL_CLINIC = (2, 3, 4, 5, 6, 8, 10, 13, 17, 22, 28, 35, 43, 52)
STRAY, NEXT_PATIENTS = 5.0, 400
PIECES, DRAWN = (1, 2, 3, 5, 8, 11), (1, 3, 11)
#: Long enough to tell dashes apart.
LONG_HANDLE = 3.6


class Bends:
    """A small clinic, its splines, and the next patients, of data with a seed."""

    def __init__(self, seed: int) -> None:
        self.seed = seed

    @cached_property
    def small_clinic(self) -> pd.DataFrame:
        """Patients seen once each: week, value (degrees), scattered about the usual curve."""
        random = np.random.default_rng([self.seed, 33])
        return _scattered(np.array(SMALL_CLINIC, dtype=float), random)

    @cached_property
    def next_patients(self) -> pd.DataFrame:
        """Another 400 patients of the same kind, in any week from 2 to 52: week, value (degrees)."""
        random = np.random.default_rng([self.seed, 34])
        first, last = SMALL_CLINIC[0], SMALL_CLINIC[-1]
        return _scattered(first + (last - first) * random.random(NEXT_PATIENTS), random)

    @cached_property
    def pieces(self) -> pd.DataFrame:
        """By pieces of the spline: how far off it is, usually, in these and in the next patients, degrees."""
        rows = [
            {
                "pieces": pieces,
                "these": _usual_miss(self.small_clinic, one),
                "next": _usual_miss(self.next_patients, one),
            }
            for pieces, one in ((pieces, self._small_spline(pieces)) for pieces in PIECES)
        ]
        caption = f"How far off, usually, in these {len(SMALL_CLINIC)} and in the next {NEXT_PATIENTS} patients."
        return lesson_table(pd.DataFrame(rows), caption, {"these": "degrees", "next": "degrees"}, 2)

    def figure(self) -> Figure:
        """Draw three splines through the patients of the small clinic."""
        weeks = np.linspace(SMALL_CLINIC[0], SMALL_CLINIC[-1], 401)
        curves = pd.DataFrame({"week": weeks} | {_in_pieces(one): self._small_spline(one)(weeks) for one in DRAWN})
        seen = self.small_clinic

        def draw(axes: Any) -> None:
            for name, mark in marks(list(curves.columns[1:])).items():
                axes.plot(weeks, curves[name], color=mark.colour, linestyle=mark.dash, label=name)
            axes.plot(seen["week"], seen["value"], "o", color=INK, label="one patient", zorder=5)
            axes.set(xlabel="Week since surgery", ylabel="Flexion, degrees")
            axes.legend(loc="lower right", handlelength=LONG_HANDLE)

        misses = self.pieces.set_index("pieces")["these"]
        words = ", ".join(f"{misses[one]:.1f} with {_in_pieces(one)}" for one in DRAWN)
        return lesson_figure(
            "A spline with more and more pieces", f"The usual distance from these patients, in degrees: {words}.",
            curves.iloc[::20], draw, caption=f"{len(SMALL_CLINIC)} invented patients, each seen once.", height=3.4,
        )  # fmt: skip

    def _small_spline(self, pieces: int) -> Callable[[NDArray[np.float64]], NDArray[np.float64]]:
        knots = spline_knots(SMALL_CLINIC, pieces)

        def terms(weeks: NDArray[np.float64]) -> NDArray[np.float64]:
            return np.column_stack([np.ones_like(weeks), natural_spline_basis(weeks, knots)])

        week, value = (self.small_clinic[name].to_numpy(dtype=float) for name in ("week", "value"))
        estimates = np.linalg.lstsq(terms(week), value, rcond=None)[0]
        return lambda weeks: terms(weeks) @ estimates


def usual_curve(weeks: NDArray[np.float64]) -> NDArray[np.float64]:
    """Give the flexion of a usual curve, degrees, at weeks."""
    curve: NDArray[np.float64] = PLATEAU - (PLATEAU - START) * 0.5 ** (weeks / HALF_LIFE)
    return curve


def over_fitting(pieces: pd.DataFrame, nearest: pd.Series) -> str:
    """Say what the spline with most pieces does in the next patients."""
    most = pieces.iloc[-1]
    if nearest["pieces"] == most["pieces"]:
        return "By luck the spline that bends most did best here. It seldom does: try another seed."
    return (
        f"The spline with {most['pieces']:.0f} pieces is off by {most['these']:.1f} degrees here. In the next patients it "
        f"is off by {most['next']:.1f}, and the best one by {nearest['next']:.1f}."
    )


def _scattered(weeks: NDArray[np.float64], random: np.random.Generator) -> pd.DataFrame:
    value = np.round(usual_curve(weeks) + STRAY * random.standard_normal(len(weeks)))
    return lesson_table(pd.DataFrame({"week": weeks, "value": value}), "Knee flexion.", {"value": "degrees"}, 0)


def _usual_miss(frame: pd.DataFrame, curve: Callable[[NDArray[np.float64]], NDArray[np.float64]]) -> float:
    miss = frame["value"].to_numpy(dtype=float) - curve(frame["week"].to_numpy(dtype=float))
    return float(np.sqrt(np.mean(miss**2)))


def _in_pieces(pieces: int) -> str:
    return f"{pieces} piece{'' if pieces == 1 else 's'}"
