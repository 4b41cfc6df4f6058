"""Lesson 4: did one protocol do better; regression to the mean, change scores, p values within groups, small samples."""

from functools import cached_property
from pathlib import Path
from typing import Any, ClassVar

import numpy as np
import pandas as pd

from analysis.cohort import visit_frame
from analysis.curves import RecoveryCurves, fit_recovery
from analysis.lessons.course.own_fits import response_answers
from analysis.lessons.drawing import lesson_figure
from analysis.lessons.exercise_words import Answers, Numbers
from analysis.lessons.lesson import Lesson
from analysis.lessons.lesson_table import lesson_table
from analysis.lessons.sliders import Slider
from analysis.report.parts.figures import Figure
from analysis.report.parts.look import INK, QUIET, marks
from synthetic_cohort import generate_cohort
from synthetic_cohort.generate import SyntheticCohort

PATIENTS, WEEK = 150, 12
_TORQUE = "N·m/kg"
#: Score of the part on regression to the mean: mean, standard deviation, test-retest correlation.
MEAN, SPREAD, RETEST = 50.0, 15.0, 0.6
LISTED = 4000
SIZES = (5, 10, 20, 50, 100, 200)
TRUE_DIFFERENCE, SCORE_SPREAD, DRAWS = 5.0, 15.0, 24


class Comparing(Lesson):
    """Tables, figures and exercises of lesson 4."""

    number: ClassVar[int] = 4
    title: ClassVar[str] = "Did one protocol do better?"

    @cached_property
    def listed(self) -> pd.DataFrame:
        """Scores of untreated people, tested twice: first, second (points). Nothing happened in between."""
        random = np.random.default_rng([self.seed, 4])
        level, one, two = random.standard_normal((3, LISTED))
        share, rest = RETEST**0.5, (1 - RETEST) ** 0.5
        first, second = (MEAN + SPREAD * (share * level + rest * noise) for noise in (one, two))
        frame = pd.DataFrame({"first": np.round(first, 1), "second": np.round(second, 1)})
        return lesson_table(frame, "Scores of untreated people.", {"first": "points", "second": "points"}, 1)

    @cached_property
    def worst_quarter(self) -> pd.DataFrame:
        """The quarter with the lowest first score."""
        return self.listed.nsmallest(LISTED // 4, "first").reset_index(drop=True)

    @cached_property
    def made(self) -> SyntheticCohort:
        """The invented trial with its truth."""
        return generate_cohort("knee replacement", patients=PATIENTS, seed=self.seed)

    @cached_property
    def cohort_folder(self) -> Path:
        """A folder with the patients of this lesson, as a clinic would keep them."""
        return self.keep_cohort(self.made.observed)

    @cached_property
    def curves(self) -> RecoveryCurves:
        """Recovery curves of quadriceps torque, adjusted for the baseline."""
        return fit_recovery(self.made.observed, "quadriceps_torque", primary_week=WEEK)

    @cached_property
    def differences(self) -> pd.DataFrame:
        """Differences from exercise only by week: protocol, week, estimate, lower, upper (N·m/kg), df, p_value."""
        frame = self.curves.differences()[["protocol", "week", "estimate", "lower", "upper", "df", "p_value"]]
        caption = "Difference from exercise only in quadriceps torque, adjusted for the baseline; 95 % intervals."
        units = dict.fromkeys(("estimate", "lower", "upper"), _TORQUE) | {"df": ""}
        return lesson_table(frame, caption, units, {"estimate": 2, "lower": 2, "upper": 2, "df": 0})

    @cached_property
    def within(self) -> pd.DataFrame:
        """What not to do: by protocol the mean change to week 12 and its own p value (paired t test)."""
        from scipy import stats

        frame = visit_frame(self.made.observed, "quadriceps_torque")
        rows = frame[frame["week"] == WEEK].dropna(subset=["change"])
        frame = pd.DataFrame(
            [
                {
                    "protocol": str(name), "patients": len(group), "mean change": float(group["change"].mean()),
                    "p_value": float(stats.ttest_1samp(group["change"], 0.0).pvalue),
                }
                for name, group in rows.groupby("protocol", observed=True)
            ]
        )  # fmt: skip
        caption = f"Change of quadriceps torque to week {WEEK}, each group against its own past."
        return lesson_table(frame, caption, {"mean change": _TORQUE}, 2)

    def mean_figure(self) -> Figure:
        """Draw the second score against the first, with the worst quarter marked."""
        frame, worst = self.listed.head(400), self.worst_quarter
        cut = float(worst["first"].max())

        def draw(axes: Any) -> None:
            low = frame["first"] <= cut
            axes.scatter(frame["first"][~low], frame["second"][~low], s=9, color=QUIET, alpha=0.5)
            axes.scatter(
                frame["first"][low], frame["second"][low], s=14, marker="^", color=marks(["a", "b"])["b"].colour
            )
            axes.axline((MEAN, MEAN), slope=1, color=INK, linewidth=0.9)
            axes.set(xlabel="First score, points", ylabel="Second score, points")

        above = 100 * float((worst["second"] > worst["first"]).mean())
        return lesson_figure(
            "Chosen for a low first score",
            f"Of the {len(worst)} chosen people {above:.0f} % score higher the second time, untreated.",
            frame.rename(columns={"first": "first, points", "second": "second, points"}), draw,
            caption="400 of the invented people; triangles: worst quarter; line: no change.", height=3.6,
        )  # fmt: skip

    def difference_figure(self) -> Figure:
        """Draw the differences by week with their 95 % intervals."""
        frame = self.differences
        names = list(dict.fromkeys(frame["protocol"].astype(str)))

        def draw(axes: Any) -> None:
            for shift, (name, mark) in zip((-0.5, 0.5), list(marks(["reference", *names]).items())[1:], strict=True):
                rows = frame[frame["protocol"] == name]
                bars = [rows["estimate"] - rows["lower"], rows["upper"] - rows["estimate"]]
                axes.errorbar(rows["week"] + shift, rows["estimate"], yerr=bars, fmt=mark.marker, color=mark.colour,
                              label=name)  # fmt: skip
            axes.axhline(0, color=INK, linewidth=0.9)
            axes.set(xlabel="Week since surgery", ylabel="Difference from exercise only, N·m/kg")
            axes.legend()

        row = frame[(frame["protocol"] == names[0]) & (frame["week"] == WEEK)].iloc[0]
        return lesson_figure(
            "Differences by week", f"At week {WEEK} {names[0]} is {row['estimate']:+.2f} N·m/kg from exercise only (95 % "
            f"interval {row['lower']:.2f} to {row['upper']:.2f}).",
            frame, draw, caption="Adjusted for baseline; 95 % intervals, Kenward-Roger.", height=3.4,
        )  # fmt: skip

    def interval_slider(self) -> Slider:
        """Show 24 repeated trials with their intervals, by the patients in each group."""
        return Slider(
            "Patients in each group", SIZES, self._trials_figure, self._trials_still, start=2, unit="patients"
        )

    def truth(self) -> pd.DataFrame:
        """Uncover the truth: true differences from exercise only beside the estimates, N·m/kg."""
        true = self.made.truth.protocol_differences.query("measure == 'quadriceps_torque' and limb == 'involved'")
        both = self.differences.assign(protocol=self.differences["protocol"].astype(str)).merge(
            true[["protocol", "week", "difference"]], on=["protocol", "week"]
        )
        names = ["truth", "estimate", "lower", "upper"]
        frame = pd.DataFrame(both.rename(columns={"difference": "truth"})[["protocol", "week", *names]])
        held = (frame["lower"] <= frame["truth"]) & (frame["truth"] <= frame["upper"])
        caption = "Difference from exercise only in quadriceps torque, beside the truth."
        return lesson_table(frame.assign(held=held.map({True: "yes", False: "no"})), caption,
                            dict.fromkeys(names, _TORQUE), 2)  # fmt: skip

    def trials(self, size: int) -> pd.DataFrame:
        """Give 24 invented trials: estimate, lower, upper (points), holds_truth.

        Parameters
        ----------
        size : int
            Patients in each of two groups.
        """
        from scipy import stats

        random = np.random.default_rng([self.seed, size])
        groups = SCORE_SPREAD * random.standard_normal((2, DRAWS, size))
        estimate = TRUE_DIFFERENCE + groups[0].mean(axis=1) - groups[1].mean(axis=1)
        error = np.sqrt((groups[0].var(axis=1, ddof=1) + groups[1].var(axis=1, ddof=1)) / size)
        half = stats.t.ppf(0.975, 2 * size - 2) * error
        frame = pd.DataFrame({"estimate": estimate, "lower": estimate - half, "upper": estimate + half})
        return frame.assign(holds_truth=(frame["lower"] <= TRUE_DIFFERENCE) & (frame["upper"] >= TRUE_DIFFERENCE))

    def _trials_figure(self, size: int) -> Figure:
        frame = self.trials(size)
        return lesson_figure(
            f"Trials of {size} and {size}",
            f"With {size} patients in each group the intervals are {(frame['upper'] - frame['lower']).mean():.0f} points "
            f"wide on average; {int((frame['lower'] > 0).sum())} of {DRAWS} lie above 0.",
            frame, lambda axes: _draw_trials(axes, frame), height=3.2,
            caption=f"{DRAWS} invented trials, true difference {TRUE_DIFFERENCE:g}; 95 % intervals by t.",
        )  # fmt: skip

    def _trials_still(self) -> Figure:
        frames = {size: self.trials(size) for size in (5, 20, 100)}

        def draw(panels: Any) -> None:
            for axes, (size, frame) in zip(panels, frames.items(), strict=True):
                _draw_trials(axes, frame)
                axes.set_title(f"{size} and {size}")

        widths = {size: self.trials(size) for size in SIZES}
        words = ", ".join(f"{(one['upper'] - one['lower']).mean():.0f} with {size}" for size, one in widths.items())
        table = pd.concat([frame.assign(size=size) for size, frame in frames.items()], ignore_index=True)
        return lesson_figure("Interval width by sample size", f"Mean width in points: {words} patients in each group.",
                             table, draw, caption=f"True difference {TRUE_DIFFERENCE:g} points.", panels=3)  # fmt: skip

    def _answers(self) -> Answers:
        from analysis.outcomes import regression_to_mean

        expected = regression_to_mean(SPREAD, RETEST, share=0.25, mean=MEAN)
        worst = self.worst_quarter
        gain = float((worst["second"] - worst["first"]).mean())
        row = self.differences[self.differences["week"] == WEEK].iloc[0]
        raw = self.within.set_index("protocol")["mean change"]
        protocol = str(row["protocol"])
        return {
            **response_answers(self.made.observed),
            "untreated_gain": Numbers(
                expected.expected_change, 0.5, (-30, 40), (0.0, MEAN - expected.first, SPREAD * (1 - RETEST))
            ),
            "listed_gain": Numbers(
                gain,
                0.06,
                (-30, 40),
                (
                    float((self.listed["second"] - self.listed["first"]).mean()),
                    float(worst["second"].mean()),
                    float(MEAN - worst["first"].mean()),
                ),
            ),
            "change_or_adjusted": Numbers(1 - 0.3**2, 0.006, (0, 4), (2 * (1 - 0.3), 1.0, 1 - 0.3, 0.3**2)),
            "difference": Numbers(
                float(row["estimate"]),
                0.006,
                (-2, 2),
                (
                    float(raw.loc[protocol]),
                    float(raw.loc[protocol] - raw.iloc[0]),
                    float(row["p_value"]),
                    float(row["upper"]),
                ),
                {"protocol": protocol, "week": WEEK, "lower": row["lower"], "upper": row["upper"]},
            ),
            "many_weeks": Numbers(100 * (1 - 0.95**10), 0.3, (0, 100), (5.0, 50.0, 100 * 0.95**10)),
        }


def _draw_trials(axes: Any, frame: pd.DataFrame) -> None:
    mark = marks(["holds", "misses"])
    for place, row in enumerate(frame.itertuples()):
        one = mark["holds" if row.holds_truth else "misses"]
        axes.plot([row.lower, row.upper], [place, place], color=one.colour, linewidth=1.2, linestyle=one.dash)
        axes.plot(row.estimate, place, one.marker, color=one.colour, markersize=3.5)
    axes.axvline(0, color=QUIET, linewidth=0.9, linestyle=":")
    axes.axvline(TRUE_DIFFERENCE, color=INK, linewidth=1)
    axes.set_xlim(-35, 45)
    axes.set_yticks([])
    axes.set_xlabel("Difference, points")
