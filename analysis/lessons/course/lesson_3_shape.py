"""Lesson 3: the shape of recovery; four shapes, extrapolation, the plateau from early visits, splines that bend too much."""

from functools import cached_property
from pathlib import Path
from typing import Any, ClassVar, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.cohort import visit_frame
from analysis.curves import MixedModel, fit_mixed
from analysis.lessons.course.lesson_3_bends import (
    HALF_LIFE,
    LONG_HANDLE,
    PIECES,
    SMALL_CLINIC,
    Bends,
    over_fitting,
    usual_curve,
)
from analysis.lessons.course.own_fits import fit_answers
from analysis.lessons.drawing import lesson_figure
from analysis.lessons.exercise_words import Answers, Numbers
from analysis.lessons.lesson import Lesson
from analysis.lessons.lesson_table import lesson_table
from analysis.report.parts.figures import Figure
from analysis.report.parts.look import INK, QUIET, marks
from synthetic_cohort import generate_cohort
from synthetic_cohort.generate import SyntheticCohort

PATIENTS, PROTOCOL = 90, "exercise only"
BEND, FAR = 8, 104
#: A plateau is looked for between these angles, degrees.
LOWEST_PLATEAU, HIGHEST_PLATEAU = 60.0, 250.0
SHAPES = {
    "straight line": "value ~ week",
    "bent line": "value ~ week + weeks_after_bend",
    "spline": "value ~ natural_spline(week, df=3)",
    "levelling off": "value ~ share_regained",
}


class Line(NamedTuple):
    """A straight line: degrees at week 0, and degrees a week; shown in words."""

    start: float
    slope: float

    def __repr__(self) -> str:
        return f"{self.start:.1f} degrees at week 0, and {self.slope:.3f} degrees a week"


class Shape(Lesson):
    """Tables, figures and exercises of lesson 3."""

    number: ClassVar[int] = 3
    title: ClassVar[str] = "What shape is recovery?"

    @cached_property
    def made(self) -> SyntheticCohort:
        """The invented cohort with its truth."""
        return generate_cohort("knee replacement, no difference", patients=PATIENTS, seed=self.seed)

    @cached_property
    def cohort_folder(self) -> Path:
        """A folder with the patients of this lesson, as a clinic would keep them."""
        return self.keep_cohort(self.made.observed)

    @cached_property
    def flexion(self) -> pd.DataFrame:
        """Flexion after surgery, one row a visit: patient_id, week, value, and the terms of the shapes."""
        frame = visit_frame(self.made.observed, "knee_flexion")[["patient_id", "week", "value"]]
        return _with_terms(frame[frame["week"] > 0].reset_index(drop=True))

    @cached_property
    def visits(self) -> pd.DataFrame:
        """What was measured: patient_id, week, value."""
        frame = self.flexion[["patient_id", "week", "value"]]
        return lesson_table(frame, "Knee flexion, one row a visit.", {"value": "degrees"}, 0)

    @cached_property
    def fits(self) -> dict[str, MixedModel]:
        """The four shapes, fitted to all visits by maximum likelihood, each patient with a level of its own."""
        return {
            name: fit_mixed(self.flexion, formula, patient_effects="1", method="ml", inference="satterthwaite")
            for name, formula in SHAPES.items()
        }

    @cached_property
    def comparison(self) -> pd.DataFrame:
        """One row a shape: aic (smaller is better), worse_by (than the best)."""
        aic = pd.Series({name: float(fit.aic) for name, fit in self.fits.items()})
        frame = pd.DataFrame({"shape": list(aic.index), "aic": list(aic), "worse_by": list(aic - aic.min())})
        return lesson_table(frame, "AIC of the four shapes; smaller is better.", {"aic": "", "worse_by": ""}, 1)

    @cached_property
    def bent_line(self) -> pd.DataFrame:
        """The three numbers of the bent line: what, estimate."""
        what = (
            "at week 0, in degrees",
            f"gain before week {BEND}, in degrees a week",
            f"change of the gain at week {BEND}, in degrees a week",
        )
        estimates = self.fits["bent line"].coefficients["estimate"].to_numpy(dtype=float)
        frame = pd.DataFrame({"what": what, "estimate": estimates})
        return lesson_table(frame, "The numbers of the bent line.", {"estimate": ""}, 2)

    @cached_property
    def bends(self) -> Bends:
        """A small clinic, and splines with more and more pieces through its patients."""
        return Bends(self.seed)

    @property
    def pieces(self) -> pd.DataFrame:
        """By pieces of the spline: how far off it is, usually, in these and in the next patients, degrees."""
        return self.bends.pieces

    def pieces_figure(self) -> Figure:
        """Draw three splines through the patients of the small clinic."""
        return self.bends.figure()

    def shapes_figure(self) -> Figure:
        """Draw the four shapes over the weekly means."""
        weeks = np.arange(2.0, 53.0)
        curves = pd.DataFrame({"week": weeks} | {name: self._curve(name, weeks) for name in SHAPES})
        seen = self.flexion.groupby("week")["value"].mean()

        def draw(axes: Any) -> None:
            axes.plot(seen.index, seen, "o", color=INK, label="mean of visits", zorder=5)
            _draw_shapes(axes, curves)

        gap = {name: float(np.abs(self._curve(name, seen.index.to_numpy(float)) - seen).max()) for name in SHAPES}
        words = ", ".join(f"{name} {size:.1f}" for name, size in gap.items())
        return lesson_figure("Four shapes", f"Largest distance from a weekly mean, in degrees: {words}.", curves, draw,
                             caption=f"{PATIENTS} invented patients after knee replacement.", height=3.6)  # fmt: skip

    def future_figure(self) -> Figure:
        """Draw all shapes on, to two years."""
        weeks = np.arange(2.0, FAR + 1)
        curves = pd.DataFrame({"week": weeks} | {name: self._curve(name, weeks) for name in SHAPES})

        def draw(axes: Any) -> None:
            _draw_shapes(axes, curves)
            axes.axvline(52, color=QUIET, linestyle=":")
            axes.text(54, curves.iloc[:, 1:].to_numpy().min(), "no visits from here on", color=QUIET, fontsize=8)

        ends = ", ".join(f"{name} {curves[name].iloc[-1]:.0f}" for name in SHAPES)
        return lesson_figure(
            "The same shapes to two years",
            f"At week {FAR} the shapes say, in degrees: {ends}.",
            curves.iloc[::6],
            draw,
            caption="Right of the dotted line nobody was seen.",
            height=3.4,
        )

    @cached_property
    def plateaus(self) -> pd.DataFrame:
        """Plateau of the curve fitted to 20 samples of patients: sample, early (to week 8), all (to week 52), degrees."""
        random = np.random.default_rng([self.seed, 3])
        by_patient = self.flexion.pivot_table(index="patient_id", columns="week", values="value")
        rows = []
        for sample in range(1, 21):
            means = by_patient.iloc[random.integers(0, len(by_patient), len(by_patient))].mean()
            early = means[means.index <= 8]
            rows.append({"sample": sample, "early": _fit_plateau(early), "all": _fit_plateau(means)})
        return pd.DataFrame(rows)

    def plateau_figure(self) -> Figure:
        """Draw the plateaus by early visits and by all visits."""
        frame = self.plateaus
        span = {name: (frame[name].min(), frame[name].max()) for name in ("early", "all")}

        def draw(axes: Any) -> None:
            for place, (name, mark) in enumerate(marks(["early", "all"]).items()):
                axes.plot(frame[name], np.full(len(frame), place), mark.marker, color=mark.colour, alpha=0.6)
            axes.set_yticks([0, 1], ["visits to week 8", "visits to week 52"])
            axes.set_ylim(-0.6, 1.6)
            axes.set_xlabel("Plateau, degrees")

        return lesson_figure(
            "The plateau from early visits, and from all",
            f"By the visits to week 8 the plateau lies anywhere from {span['early'][0]:.0f} to {span['early'][1]:.0f} "
            f"degrees; by all visits from {span['all'][0]:.0f} to {span['all'][1]:.0f}.",
            frame, draw, caption="20 samples drawn from the same patients. The fit looks for plateaus from "
            f"{LOWEST_PLATEAU:.0f} to {HIGHEST_PLATEAU:.0f} degrees.", height=2.2,
        )  # fmt: skip

    def truth(self) -> pd.DataFrame:
        """Uncover the truth: the true mean by week beside the four shapes, degrees."""
        means = self.made.truth.protocol_means.query(
            "measure == 'knee_flexion' and protocol == @PROTOCOL and week > 0", local_dict={"PROTOCOL": PROTOCOL}
        )
        weeks = means["week"].to_numpy(dtype=float)
        columns = {"truth": means["value"].to_numpy()} | {name: self._curve(name, weeks) for name in SHAPES}
        caption = "The true mean of all such patients, and the four shapes."
        return lesson_table(pd.DataFrame({"week": weeks} | columns), caption, dict.fromkeys(columns, "degrees"), 1)

    def usual_flexion(self, week: float) -> float:
        """Give the flexion of a usual curve, degrees, at a week."""
        return float(usual_curve(np.array(float(week))))

    def _curve(self, name: str, weeks: NDArray[np.float64]) -> NDArray[np.float64]:
        new = _with_terms(pd.DataFrame({"week": weeks}))
        return np.asarray(self.fits[name].predict(new)["estimate"], dtype=float)

    def line(self) -> Line:
        """Give the straight line: degrees at week 0, and degrees a week."""
        at_start, at_one = self._curve("straight line", np.array([0.0, 1.0]))
        return Line(float(at_start), float(at_one - at_start))

    def _answers(self) -> Answers:
        level, slope = self.line()
        first, bend = (float(one) for one in self.bent_line["estimate"].iloc[1:3])
        early, late = self.usual_flexion(30 / 7), self.usual_flexion(60 / 7)
        order = list(self.comparison.sort_values("aic")["shape"])
        letters = dict(zip("abcd", SHAPES, strict=True))
        best = next(letter for letter, shape in letters.items() if shape == order[0])
        worse = dict(zip(self.comparison["shape"], self.comparison["worse_by"], strict=True))
        pieces = self.pieces
        nearest = pieces.iloc[int(pieces["next"].to_numpy().argmin())]
        return {
            **fit_answers(self.made.observed),
            "two_years": Numbers(
                level + slope * FAR,
                0.6,
                (0, 300),
                (slope * FAR, level + slope * 52, level, level + slope * 2),
                {"week": FAR},
            ),
            "bend": Numbers(first + bend, 0.02, (-10, 10), (first, bend, first - bend)),
            "one_window": Numbers(
                late - early, 0.2, (0, 60), (0.0, self.usual_flexion(60) - self.usual_flexion(30), late, slope * 30 / 7)
            ),
            "next_patients": Numbers(
                float(nearest["pieces"]),
                0.2,
                (0, 20),
                (float(PIECES[-1]), float(PIECES[0]), float(len(SMALL_CLINIC))),
                {"said": over_fitting(pieces, nearest)},
            ),
            "best": {
                "best": best,
                **{
                    letter: f"Smallest: {shape}. The next one is {worse[order[1]]:.1f} behind. Under 2 you would have to leave it open."
                    if letter == best
                    else f"The AIC of this shape is {worse[shape]:.1f} above the smallest."
                    for letter, shape in letters.items()
                },
            },
        }


def _draw_shapes(axes: Any, curves: pd.DataFrame) -> None:
    for name, mark in marks(list(SHAPES)).items():
        axes.plot(curves["week"], curves[name], color=mark.colour, linestyle=mark.dash, label=name)
    axes.set(xlabel="Week since surgery", ylabel="Flexion, degrees")
    axes.legend(handlelength=LONG_HANDLE)


def _with_terms(frame: pd.DataFrame) -> pd.DataFrame:
    week = frame["week"].astype(float)
    return frame.assign(
        week=week, weeks_after_bend=(week - BEND).clip(lower=0), share_regained=1 - 0.5 ** (week / HALF_LIFE)
    )


def _fit_plateau(means: pd.Series) -> float:
    from scipy.optimize import least_squares

    week, seen = means.index.to_numpy(dtype=float), means.to_numpy(dtype=float)

    def residuals(theta: NDArray[np.float64]) -> NDArray[np.float64]:
        return theta[1] - (theta[1] - theta[0]) * np.exp(-np.exp(theta[2]) * week) - seen

    fitted = least_squares(residuals, [80.0, 115.0, -1.9], bounds=([20, LOWEST_PLATEAU, -6], [140, HIGHEST_PLATEAU, 2]))
    return float(fitted.x[1])
