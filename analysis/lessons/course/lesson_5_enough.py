"""Lesson 5: how much is enough; detectable and important change, the cost of yes or no, the responders of a cohort."""

import math
from functools import cached_property
from typing import Any, ClassVar

import numpy as np
import pandas as pd

from analysis.cohort import load_catalogue
from analysis.lessons.drawing import lesson_figure
from analysis.lessons.exercise_words import Answers, Numbers
from analysis.lessons.lesson import Lesson
from analysis.lessons.lesson_table import lesson_table
from analysis.lessons.sliders import Slider
from analysis.outcomes import Responders, find_thresholds, responders
from analysis.report.figures import responder_figures
from analysis.report.parts.figures import Figure
from analysis.report.parts.look import INK, marks
from analysis.report.parts.tables import Table
from synthetic_cohort import generate_cohort
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
        """Published thresholds of two scores: measure, kind, value (points), population, source."""
        catalogue = load_catalogue()
        rows = [
            {
                "measure": catalogue[name].label,
                "kind": one.kind,
                "value": one.value,
                "population": one.population,
                "source": one.source,
            }
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
        return Slider("Threshold, points", STEPS, self._threshold_figure, self._all_thresholds, start=3, unit="points")

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

        def draw(axes: Any) -> None:
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
            axes.set(xlabel="Improvement, points", ylabel="Patients")
            axes.legend(loc="upper left")

        return lesson_figure(
            f"Threshold {step}",
            f"At a threshold of {step} points {row['usual']:.1f} % of the usual and {row['new']:.1f} % of the new group "
            f"are responders: a gap of {row['gap']:.1f} percentage points.",
            counts, draw, caption=f"{GROUP} invented patients in each group; the vertical line is the threshold.",
        )  # fmt: skip

    def _all_thresholds(self) -> Figure:
        frame = self.gaps

        def draw(axes: Any) -> None:
            for name, mark in marks(["usual", "new"]).items():
                axes.plot(frame["threshold"], frame[name], color=mark.colour, linestyle=mark.dash, marker=mark.marker,
                          label=name)  # fmt: skip
            axes.set(xlabel="Threshold, points", ylabel="Improved by at least so much, %")
            axes.legend()

        words = ", ".join(f"{row.gap:.1f} with {row.threshold}" for row in frame.itertuples())
        return lesson_figure("Responders at every threshold", f"Gap in percentage points: {words}.", frame, draw,
                             caption=f"{GROUP} invented patients in each group.")  # fmt: skip

    def _answers(self) -> Answers:
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
            "responders": Numbers(
                share,
                0.15,
                (0, 100),
                (100 - share, float((usual >= ASKED).sum()), float(row["new"]), float(usual.mean())),
                {"threshold": ASKED},
            ),
            "responder_gap": Numbers(
                float(row["gap"]),
                0.5,
                (-100, 100),
                (5.0, difference, float(row["new"]), 100 * (row["new"] / row["usual"] - 1)),
                {"threshold": ASKED, "difference": difference, "gap": row["gap"]},
            ),
            "largest_gap": Numbers(float(best["threshold"]), 0.2, (-60, 100), (float(best["gap"]), 0.0, 40.0)),
            "split_cost": Numbers(100 * math.pi / 2, 0.6, (0, 1000), (100.0, 200.0, 100 * 2 / math.pi, 57.0)),
            "left_out": Numbers(
                began - seen,
                0.2,
                (-1, PATIENTS),
                (
                    seen - reached,
                    began - reached,
                    seen,
                    int((self.responders().table["allocated"] - self.responders().table["n"]).sum()),
                ),
                {"protocol": FIRST_PROTOCOL, "not_seen": began - seen, "allocated": began, "week": WEEK},
            ),
            "other_threshold": Numbers(
                rise,
                1.05,
                (-100, 100),
                (
                    100 * float(other["share"]),
                    100 * (float(other["share"]) / float(counted["share"]) - 1),
                    float(int(other["responders"]) - reached),
                ),
                {"protocol": FIRST_PROTOCOL, "other": OTHER_THRESHOLD, "standard": standard},
            ),
        }
