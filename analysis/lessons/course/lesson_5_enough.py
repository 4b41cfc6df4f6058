"""Lesson 5: how much is enough; detectable and important change, the cost of yes or no, the responders of a cohort."""

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
from analysis.lessons.lesson_table import lesson_table
from analysis.lessons.sliders import Slider
from analysis.outcomes import find_thresholds, responders
from analysis.report.figures import responder_figures
from analysis.report.parts.look import INK, marks
from synthetic_cohort import generate_cohort

if TYPE_CHECKING:
    from analysis.outcomes import Responders
    from analysis.report.parts.figures import Figure
    from analysis.report.parts.tables import Table
    from synthetic_cohort.generate import SyntheticCohort

GROUP, SPREAD = 300, 15.0
TRUE_MEANS = {"usual": 12.0, "new": 17.0}
STEPS = (0, 5, 10, 12, 15, 20, 25, 30, 40)
ASKED = 12

#: The cohort: patients, measure and week; a second published threshold of the same score, from other patients.
PATIENTS, MEASURE, WEEK = 120, "ikdc", 26
OTHER_THRESHOLD = 11.5
#: Improvement that an invented patient holds important: mean and standard deviation, points; bootstrap draws.
IMPORTANT, IMPORTANT_SPREAD, BOOTSTRAP = 15.0, 4.0, 400
FIRST_PROTOCOL = "exercise only"


class Enough(Lesson):
    """Tables, figures and exercises of lesson 5."""

    number: ClassVar[int] = 5
    title: ClassVar[str] = "How much is enough?"
    exercise_names: ClassVar[tuple[str, ...]] = (
        "below_noise", "responders", "responder_gap", "largest_gap", "split_cost", "left_out", "other_threshold", "anchor",
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
        caption = "Published thresholds of two scores, each from 0 to 100 points."
        return lesson_table(pd.DataFrame(rows), caption, {"value": "points"}, 1)

    @cached_property
    def gaps(self) -> pd.DataFrame:
        """By threshold: usual, new (% that improved by at least so much), gap (percentage points)."""
        usual, new = ([100 * float((one >= step).mean()) for step in STEPS] for one in (self.usual, self.new))
        frame = pd.DataFrame({"threshold": STEPS, "usual": usual, "new": new})
        units = {"usual": "%", "new": "%", "gap": "percentage points"}
        caption = "Improved by at least the threshold."
        return lesson_table(frame.assign(gap=frame["new"] - frame["usual"]), caption, units, 1)

    @cached_property
    def made(self) -> SyntheticCohort:
        """The invented cohort with its truth."""
        return generate_cohort("ligament reconstruction", patients=PATIENTS, seed=self.seed)

    def responders(self, threshold: float | None = None) -> Responders:
        """Give the responders of the cohort, as the kit counts them.

        Parameters
        ----------
        threshold : float, optional
            Points of improvement, with its source where the catalogue has it; by default the minimal important change.
        """
        known = self.made.observed.measures[MEASURE].thresholds
        published = next((one for one in known if one.value == threshold), threshold)
        return responders(self.made.observed, MEASURE, week=WEEK, threshold=published)

    def responder_table(self, threshold: float | None = None) -> Table:
        """Show the responders as the report does.

        Parameters
        ----------
        threshold : float, optional
            Points of improvement; by default the minimal important change of the catalogue.
        """
        return responder_figures.responder_table(self.responders(threshold))

    def change_figure(self) -> Figure:
        """Draw the share of patients at every threshold, as the report does."""
        return responder_figures.change_figure(self.responders())

    @cached_property
    def anchored(self) -> pd.DataFrame:
        """Patients seen at week 26: improvement (points), anchor (1 better, 0 not).

        The anchor is 1 where the true improvement is at least what that patient holds important.
        """
        true = self.made.truth.curves.query("measure == @name", local_dict={"name": MEASURE}).pivot_table(
            index="patient_id", columns="week", values="value", observed=True
        )
        seen = self.responders().patients.dropna(subset=["improvement"])
        gained = (true[WEEK] - true[0]).loc[seen["patient_id"].astype(str)].to_numpy(dtype=float)
        random = np.random.default_rng([self.seed, 55])
        important = IMPORTANT + IMPORTANT_SPREAD * random.standard_normal(len(seen))
        return pd.DataFrame(
            {"improvement": seen["improvement"].to_numpy(), "anchor": (gained >= important).astype(int)}
        )

    @cached_property
    def found(self) -> pd.DataFrame:
        """Thresholds found by the anchor, in four ways: method, estimate, lower, upper (points)."""
        found = find_thresholds(self.anchored, improved=[1], unit="points", draws=BOOTSTRAP, seed=self.seed)
        frame = found.anchor_based[["method", "estimate", "lower", "upper"]].reset_index(drop=True)
        caption = f"MIC found in {len(self.anchored)} patients, with 95 % bootstrap intervals."
        return lesson_table(frame, caption, dict.fromkeys(("estimate", "lower", "upper"), "points"), 1)

    def threshold_slider(self) -> Slider:
        """Show the share of responders of both groups, by the threshold."""
        return Slider("Threshold, points", STEPS, cache(self._threshold_figure), self._all_thresholds(), start=3)

    def truth(self) -> pd.DataFrame:
        """Uncover the truth: the gap by threshold in an endless number of such patients, percentage points."""
        from scipy import stats

        shares = [stats.norm.sf(np.array(STEPS), mean, SPREAD) for mean in TRUE_MEANS.values()]
        columns = {"true gap": 100 * (shares[1] - shares[0]), "gap here": self.gaps["gap"].to_numpy()}
        caption = "The gap between the groups, by the threshold in points."
        units = dict.fromkeys(columns, "percentage points")
        return lesson_table(pd.DataFrame({"threshold": STEPS} | columns), caption, units, 1)

    def _threshold_figure(self, step: int) -> Figure:
        row = self.gaps[self.gaps["threshold"] == step].iloc[0]
        edges = np.arange(-40.0, 75.0, 5.0)
        counts = pd.DataFrame({"from, points": edges[:-1], "to, points": edges[1:]})
        for name, values in (("usual", self.usual), ("new", self.new)):
            counts[name] = np.histogram(np.clip(values, edges[0], edges[-1]), edges)[0]

        def draw(axes: Any, _width: Any) -> None:
            for name, mark in marks(["usual", "new"]).items():
                axes.stairs(
                    counts[name],
                    edges,
                    baseline=None,
                    color=mark.colour,
                    linestyle=mark.dash,
                    linewidth=1.6,
                    label=name,
                )
            axes.axvline(step, color=INK, linewidth=1.2)
            axes.set_ylim(0, None)
            axes.set_xlabel("Improvement, points")
            axes.set_ylabel("Patients")
            axes.legend(loc="upper left")

        return lesson_figure(
            f"Threshold {step}",
            f"At a threshold of {step} points {row['usual']:.1f} % of the usual and {row['new']:.1f} % of the new group "
            f"are responders: a gap of {row['gap']:.1f} percentage points.",
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

        words = ", ".join(f"{row.gap:.1f} with {row.threshold}" for row in frame.itertuples())
        return lesson_figure("Responders at every threshold", f"Gap in percentage points: {words}.", frame, draw,
                             caption=f"{GROUP} invented patients in each group.")  # fmt: skip

    def _exercises(self) -> dict[str, Exercise]:
        usual = self.usual
        share = 100 * float((usual >= ASKED).mean())
        row = self.gaps[self.gaps["threshold"] == ASKED].iloc[0]
        best = self.gaps.iloc[int(self.gaps["gap"].to_numpy().argmax())]
        difference = float(self.new.mean() - usual.mean())
        counted, other = (
            one.table.set_index("protocol").to_dict("index")[FIRST_PROTOCOL]
            for one in (self.responders(), self.responders(OTHER_THRESHOLD))
        )
        began, seen, reached = (int(counted[name]) for name in ("allocated", "n", "responders"))
        standard = self.responders().endpoint.to_reach.value
        rise = 100 * (float(other["share"]) - float(counted["share"]))
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
                hint="100 times the mean of the comparison.",
                explanation="These are the responders at this threshold, of 300 patients.",
                way="100 × mean of (improvement ≥ 12).",
            ),
            "responder_gap": NumberExercise(
                f"How large is the gap at {ASKED} points, in percentage points?", float(row["gap"]), 0.5,
                "percentage points", -100, 100,
                wrong=(
                    CommonWrong(5.0, "Those are the points between the true means. The gap counts patients."),
                    CommonWrong(difference, "That is the difference of the means, in points of the score."),
                    CommonWrong(float(row["new"]), "That is the share in the new group alone."),
                    CommonWrong(100 * (row["new"] / row["usual"] - 1), "You divided. A gap is one share less the other."),
                ),
                hint=f"Move the slider to {ASKED} and read the sentence.",
                explanation=f"The means of these patients differ by {difference:.1f} points. Said as a gap of "
                f"{row['gap']:.1f} percentage points, the same sounds larger.",
                way=f"Share of the new group at {ASKED} less share of the usual group.",
            ),
            "largest_gap": NumberExercise(
                "At which threshold of the table is the gap largest?", float(best["threshold"]), 0.2, "points", -60, 100,
                wrong=(
                    CommonWrong(float(best["gap"]), "That is the gap. At which threshold was it?"),
                    CommonWrong(0.0, "At 0 most of both groups have passed."),
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
            "left_out": NumberExercise(
                f"How many patients of the protocol \"{FIRST_PROTOCOL}\" are not in the denominator?", began - seen, 0.2,
                "patients", -1, PATIENTS,
                wrong=(
                    CommonWrong(seen - reached, "Those were seen and did not reach the threshold. They are counted."),
                    CommonWrong(began - reached, "Some of those were seen and did not reach the threshold. They are "
                                "counted."),
                    CommonWrong(seen, "That is the denominator. How many began?"),
                    CommonWrong(int((self.responders().table["allocated"] - self.responders().table["n"]).sum()),
                                f"That is all protocols together. Only \"{FIRST_PROTOCOL}\" is asked for."),
                ),
                hint="Take the denominator from the number of patients.",
                explanation=f"{began - seen} of {began} were not seen at week {WEEK}. Nobody knows whether they responded. "
                "Lesson 6 is about them.",
                way="Patients less denominator.",
            ),
            "other_threshold": NumberExercise(
                f"By how many percentage points does the share of \"{FIRST_PROTOCOL}\" rise?", rise, 1.05,
                "percentage points", -100, 100,
                wrong=(
                    CommonWrong(100 * float(other["share"]), "That is the new share. Take the old one from it."),
                    CommonWrong(100 * (float(other["share"]) / float(counted["share"]) - 1), "You divided. Take one share "
                                "from the other."),
                    CommonWrong(float(int(other["responders"]) - reached), "Those are patients. Divide by the "
                                "denominator, in per cent."),
                ),
                hint="Take the share of the first table from the share of the second.",
                explanation="No knee has changed, only the line. So a share without its threshold says little.",
                way=f"Share at {OTHER_THRESHOLD:g} points less share at {standard:g} points.",
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
