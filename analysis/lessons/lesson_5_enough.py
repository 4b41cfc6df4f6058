"""Lesson 5: how much is enough; detectable and important change, thresholds and their spread, the cost of yes or no."""

from __future__ import annotations

import math
from functools import cache, cached_property
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
import pandas as pd

from analysis.cohort import load_catalogue
from analysis.lessons.drawing import lesson_figure
from analysis.lessons.exercises import ChoiceExercise, CommonWrong, Exercise, NumberExercise
from analysis.lessons.lesson import Lesson
from analysis.lessons.sliders import Slider
from analysis.report.look import INK, marks

if TYPE_CHECKING:
    from analysis.report.figures import Figure

GROUP, SPREAD = 300, 15.0
TRUE_MEANS = {"usual": 12.0, "new": 17.0}
STEPS = (0, 5, 10, 12, 15, 20, 25, 30, 40)
ASKED = 12


class Enough(Lesson):
    """Tables, figures and exercises of lesson 5."""

    number: ClassVar[int] = 5
    title: ClassVar[str] = "How much is enough?"
    exercise_names: ClassVar[tuple[str, ...]] = (
        "below_noise", "responders", "responder_gap", "largest_gap", "split_cost", "anchor",
    )  # fmt: skip

    @cached_property
    def improvement(self) -> pd.DataFrame:
        """Improvement of two invented groups: group, improvement (points)."""
        random = np.random.default_rng([self.seed, 5])
        parts = [
            pd.DataFrame({"group": name, "improvement": np.round(mean + SPREAD * random.standard_normal(GROUP), 1)})
            for name, mean in TRUE_MEANS.items()
        ]
        return pd.concat(parts, ignore_index=True)

    @cached_property
    def usual(self) -> pd.Series:
        """Improvement of the usual group, points."""
        return self.improvement.loc[self.improvement["group"] == "usual", "improvement"].reset_index(drop=True)

    @cached_property
    def new(self) -> pd.Series:
        """Improvement of the new group, points."""
        return self.improvement.loc[self.improvement["group"] == "new", "improvement"].reset_index(drop=True)

    @cached_property
    def thresholds(self) -> pd.DataFrame:
        """Published thresholds of two scores: measure, kind, value (points), population."""
        catalogue = load_catalogue()
        rows = [
            {"measure": catalogue[name].label, "kind": one.kind, "value": one.value, "population": one.population}
            for name in ("ikdc", "lysholm")
            for one in catalogue[name].thresholds
        ]
        return pd.DataFrame(rows)

    @cached_property
    def gaps(self) -> pd.DataFrame:
        """By threshold: usual, new (% that improved by at least so much), gap (percentage points)."""
        usual, new = ([100 * float((one >= step).mean()) for step in STEPS] for one in (self.usual, self.new))
        frame = pd.DataFrame({"threshold": STEPS, "usual": usual, "new": new})
        return frame.assign(gap=frame["new"] - frame["usual"])

    def threshold_slider(self) -> Slider:
        """Show the share of responders of both groups, by the threshold."""
        return Slider("Threshold, points", STEPS, cache(self._threshold_figure), self._all_thresholds(), start=3)

    def truth(self) -> pd.DataFrame:
        """Uncover the truth: the gap by threshold in an endless number of such patients, percentage points."""
        from scipy import stats

        shares = [stats.norm.sf(np.array(STEPS), mean, SPREAD) for mean in TRUE_MEANS.values()]
        return pd.DataFrame({"threshold": STEPS, "true gap": 100 * (shares[1] - shares[0]), "gap": self.gaps["gap"]})

    def _threshold_figure(self, step: int) -> Figure:
        row = self.gaps[self.gaps["threshold"] == step].iloc[0]
        edges = np.arange(-40.0, 75.0, 5.0)
        counts = pd.DataFrame({"from": edges[:-1]} | {name: np.histogram(values, edges)[0]
                              for name, values in (("usual", self.usual), ("new", self.new))})  # fmt: skip

        def draw(axes: Any, _width: Any) -> None:
            for name, mark in marks(["usual", "new"]).items():
                axes.step(
                    counts["from"], counts[name], where="post", color=mark.colour, linestyle=mark.dash, label=name
                )
            axes.axvline(step, color=INK, linewidth=1.2)
            axes.set_xlabel("Improvement, points")
            axes.set_ylabel("Patients")
            axes.legend(loc="upper left")

        return lesson_figure(
            f"Threshold {step}",
            f"At a threshold of {step} points {row['usual']:.0f} % of the usual and {row['new']:.0f} % of the new group are "
            f"responders: a gap of {row['gap']:.0f} percentage points.",
            counts, draw, caption=f"{GROUP} invented patients in each group; the upright line is the threshold.",
        )  # fmt: skip

    def _all_thresholds(self) -> Figure:
        frame = self.gaps

        def draw(axes: Any, _width: Any) -> None:
            for name, mark in marks(["usual", "new"]).items():
                axes.plot(frame["threshold"], frame[name], color=mark.colour, linestyle=mark.dash, marker=mark.marker,
                          label=name)  # fmt: skip
            axes.set_xlabel("Threshold, points")
            axes.set_ylabel("Improved by at least so much, %")
            axes.legend()

        words = ", ".join(f"{row.gap:.0f} with {row.threshold}" for row in frame.itertuples())
        return lesson_figure("Responders at every threshold", f"Gap in percentage points: {words}.", frame, draw,
                             caption=f"{GROUP} invented patients in each group.")  # fmt: skip

    def _exercises(self) -> dict[str, Exercise]:
        usual = self.usual
        share = 100 * float((usual >= ASKED).mean())
        row = self.gaps[self.gaps["threshold"] == ASKED].iloc[0]
        best = self.gaps.iloc[int(self.gaps["gap"].to_numpy().argmax())]
        difference = float(self.new.mean() - usual.mean())
        return {
            "below_noise": ChoiceExercise(
                "A patient gains 6 points. The MIC is 5.5, the MDC 8.9. What can be said?", "c",
                {
                    "a": "It is above 5.5, but one test errs by so much that 6 points may be noise.",
                    "b": "That the change cannot be told from noise does not show that it is not there.",
                    "c": "In one patient such a gain cannot be told from noise. The mean of a group can show it.",
                    "d": "They answer two questions: one is importance, the other is noise. Neither replaces the other.",
                },
            ),
            "responders": NumberExercise(
                f"What per cent of the usual group improved by at least {ASKED} points?", share, 0.15, "%", 0, 100,
                wrong=(
                    CommonWrong(100 - share, "That is the share that did not. Turn the sign round."),
                    CommonWrong(float((usual >= ASKED).sum()), "That is a count of patients. Divide by 300."),
                    CommonWrong(float(row["new"]), "That is the new group."),
                    CommonWrong(float(usual.mean()), "That is their mean improvement in points."),
                ),
                hint="A comparison gives true or false for each patient; its mean is a share.",
                explanation="These are the responders at this threshold, of 300 patients.",
                way="100 × mean of (improvement ≥ 12).",
            ),
            "responder_gap": NumberExercise(
                f"How large is the gap at {ASKED} points, in percentage points?", float(row["gap"]), 0.2,
                "percentage points", -100, 100,
                wrong=(
                    CommonWrong(difference, "That is the difference of the means, in points of the score."),
                    CommonWrong(float(row["new"]), "That is the share in the new group alone."),
                    CommonWrong(100 * (row["new"] / row["usual"] - 1), "You divided. A gap is one share less the other."),
                ),
                hint=f"Move the slider to {ASKED} and read the sentence.",
                explanation=f"The means differ by only {difference:.1f} points, a third of a standard deviation. "
                "The gap sounds larger.",
                way="Share of the new group less share of the usual group.",
            ),
            "largest_gap": NumberExercise(
                "At which threshold of the slider is the gap largest?", float(best["threshold"]), 0.2, "points", -60, 100,
                wrong=(
                    CommonWrong(float(best["gap"]), "That is the gap. At which threshold was it?"),
                    CommonWrong(0.0, "At 0 nearly all of both groups have passed."),
                    CommonWrong(40.0, "At 40 hardly anyone has."),
                ),
                hint="Look for the largest number in lesson.gaps, column gap.",
                explanation="Whoever picks the threshold after the data can pick the gap. Name it beforehand.",
                way="The row of lesson.gaps with the largest gap.",
            ),
            "split_cost": NumberExercise(
                "How many patients does the split at the median need?", 100 * math.pi / 2, 0.6, "patients", 0, 1000,
                wrong=(
                    CommonWrong(100.0, "Then yes or no would lose nothing. It throws away how far each patient got."),
                    CommonWrong(200.0, "The loss is large, but not a half."),
                    CommonWrong(100 * 2 / math.pi, "You divided by 1.57. The split needs more, not fewer."),
                    CommonWrong(57.0, "Those are the patients on top of the 100."),
                ),
                hint="100 times 1.57.",
                explanation="57 more patients, for knowing less about each of them.",
                way="100 × π / 2.",
            ),
            "anchor": ChoiceExercise(
                "Whose answers make a good anchor?", "b",
                {
                    "a": "This tells how they are today. Someone who was well all along says yes, too.",
                    "b": "It asks for the change, over the same time, in the same kind of patients.",
                    "c": "Their change may matter at another size: other knees, other hopes, other follow-up.",
                    "d": "A distribution says how values spread. It knows nothing of importance.",
                },
            ),
        }  # fmt: skip
