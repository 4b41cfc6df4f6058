"""Lesson 1: what was measured, and how well; symmetry and its denominator, the error of one test."""

from __future__ import annotations

from functools import cached_property
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
import pandas as pd

from analysis.cohort import visit_frame
from analysis.lessons.drawing import lesson_figure
from analysis.lessons.exercises import ChoiceExercise, CommonWrong, Exercise, NumberExercise
from analysis.lessons.lesson import Lesson
from analysis.lessons.lesson_table import lesson_table
from analysis.outcomes import reliability
from analysis.report.parts.look import FAINT, INK, marks
from synthetic_cohort import generate_cohort

if TYPE_CHECKING:
    from analysis.report.parts.figures import Figure
    from synthetic_cohort.generate import SyntheticCohort

WEEK = 26
_TORQUE = "N·m/kg"
PATIENTS = 120
TESTED_TWICE = 40
BAR = 90.0


class Measuring(Lesson):
    """Tables, figures and exercises of lesson 1."""

    number: ClassVar[int] = 1
    title: ClassVar[str] = "What did we measure, and how well?"
    exercise_names: ClassVar[tuple[str, ...]] = (
        "old_limb", "symmetry", "lost_passes", "body_mass", "test_error", "detectable", "one_point_over",
    )  # fmt: skip

    @cached_property
    def made(self) -> SyntheticCohort:
        """The invented cohort with its truth."""
        return generate_cohort("ligament reconstruction", patients=PATIENTS, seed=self.seed)

    @cached_property
    def limbs(self) -> pd.DataFrame:
        """Torque of both limbs in N·m/kg: patient_id, involved, uninvolved (week 26), uninvolved_before (week 0)."""
        cohort = self.made.observed
        involved, other = (visit_frame(cohort, "quadriceps_torque", limb) for limb in ("involved", "uninvolved"))
        parts = {
            "involved": involved[involved["week"] == WEEK],
            "uninvolved": other[other["week"] == WEEK],
            "uninvolved_before": other[other["week"] == 0],
        }
        columns = [rows.set_index("patient_id")["value"].rename(name) for name, rows in parts.items()]
        frame = pd.concat(columns, axis=1, join="inner").sort_index().reset_index()
        caption = f"Quadriceps torque at week {WEEK}; of the other limb before surgery, too."
        return lesson_table(frame, caption, dict.fromkeys(parts, _TORQUE), 2)

    @cached_property
    def one_patient(self) -> pd.DataFrame:
        """The patient of the limbs table whose other limb lost most since before surgery, one row."""
        kept = self.limbs["uninvolved"] / self.limbs["uninvolved_before"]
        return self.limbs.iloc[[int(kept.to_numpy().argmin())]].reset_index(drop=True)

    @cached_property
    def two_tests(self) -> pd.DataFrame:
        """Two tests of the same patients a few days apart: patient_id, first, second (N·m/kg).

        The true torque is the same; each test adds an error of its own, as large as the scenario's.
        """
        true = self.made.truth.curves.query("measure == 'quadriceps_torque' and limb == 'involved' and week == @WEEK")
        chosen = true.head(TESTED_TWICE)
        series = next(one for one in self.made.scenario.series if one.limb == "involved")
        random = np.random.default_rng([self.seed, WEEK])
        spread = series.error_sd + series.error_share * chosen["value"].to_numpy(dtype=float).mean()
        tests = chosen["value"].to_numpy(dtype=float)[:, None] + spread * random.standard_normal((TESTED_TWICE, 2))
        frame = pd.DataFrame(np.round(tests, 2), columns=["first", "second"])
        frame.insert(0, "patient_id", chosen["patient_id"].astype(str).to_numpy())
        units = {"first": _TORQUE, "second": _TORQUE}
        return lesson_table(frame, "Quadriceps torque, two tests of the same knee.", units, 2)

    def symmetry_figure(self) -> Figure:
        """Draw symmetry against the other limb now and before surgery."""
        now, before = self._symmetry()
        passes, kept = now >= BAR, (now >= BAR) & (before >= BAR)
        data = pd.DataFrame({"against the other limb now, %": now, "against it before surgery, %": before})

        def draw(axes: Any, _width: Any) -> None:
            mark = marks(["both", "lost"])
            lost = passes & ~kept
            axes.scatter(now[~lost], before[~lost], s=18, color=FAINT, edgecolor=INK, linewidth=0.4)
            axes.scatter(now[lost], before[lost], s=34, marker="^", color=mark["lost"].colour)
            axes.axvline(BAR, color=INK, linewidth=0.8)
            axes.axhline(BAR, color=INK, linewidth=0.8)
            axes.set_xlabel("Involved limb, % of the other limb now")
            axes.set_ylabel("% of the other limb before surgery")
            axes.text(0.98, 0.04, "▲ passes only by the limb now", transform=axes.transAxes, ha="right",
                      color=mark["lost"].colour)  # fmt: skip

        return lesson_figure(
            "Symmetry with two denominators",
            f"{int(passes.sum())} of {len(now)} patients reach 90 % of the other limb as it is now; "
            f"{int(kept.sum())} of them also reach 90 % of that limb as it was before surgery.",
            data, draw, caption=f"Quadriceps torque at week {WEEK}; lines at 90 %. Invented patients.", height=3.6,
        )  # fmt: skip

    def two_tests_figure(self) -> Figure:
        """Draw the differences of the two tests against their means."""
        tests = self.two_tests
        mean, difference = tests[["first", "second"]].mean(axis=1), tests["second"] - tests["first"]
        limit = 1.96 * float(difference.std(ddof=1))
        data = pd.DataFrame({"mean of both tests, N·m/kg": mean, "second less first, N·m/kg": difference})

        def draw(axes: Any, _width: Any) -> None:
            axes.scatter(mean, difference, s=18, color=marks(["a", "b"])["b"].colour)
            for place in (-limit, 0.0, limit):
                axes.axhline(difference.mean() + place, color=INK, linewidth=0.8, linestyle="-" if not place else "--")
            axes.set_xlabel("Mean of both tests, N·m/kg")
            axes.set_ylabel("Second less first, N·m/kg")

        return lesson_figure(
            "Two tests of the same knee",
            f"Nobody's knee changed, yet 95 % of the differences lie between {difference.mean() - limit:.2f} and "
            f"{difference.mean() + limit:.2f} N·m/kg.",
            data, draw, caption=f"{TESTED_TWICE} invented patients; dashed: limits of agreement, mean plus and minus "
            "1.96 standard deviations of the differences.",
        )  # fmt: skip

    def truth(self) -> pd.DataFrame:
        """Uncover the truth: the error that was put into every test, beside what the two tests gave."""
        series = next(one for one in self.made.scenario.series if one.limb == "involved")
        mean = float(self.two_tests[["first", "second"]].to_numpy().mean())
        put_in = series.error_sd + series.error_share * mean
        found = self._error()
        frame = pd.DataFrame({"which": ["put in", "found"], "error of one test": [put_in, found]})
        return lesson_table(frame, "The error of one test.", {"error of one test": _TORQUE}, 3)

    def _symmetry(self) -> tuple[pd.Series, pd.Series]:
        limbs = self.limbs
        return 100 * limbs["involved"] / limbs["uninvolved"], 100 * limbs["involved"] / limbs["uninvolved_before"]

    def _error(self) -> float:
        long = self.two_tests.melt("patient_id", var_name="occasion", value_name="value")
        errors = reliability(long, unit="N·m/kg").errors
        return float(errors.loc[errors["formula"].str.contains("consistency"), "estimate"].iloc[0])

    def _exercises(self) -> dict[str, Exercise]:
        now, before = self._symmetry()
        one = self.one_patient.iloc[0]
        lost = int(((now >= BAR) & (before < BAR)).sum())
        passed = int((now >= BAR).sum())
        error = self._error()
        spread = float((self.two_tests["second"] - self.two_tests["first"]).std(ddof=1))
        everyone = float(self.two_tests["first"].std(ddof=1))
        detectable = 1.96 * 2**0.5 * error
        return {
            "old_limb": NumberExercise(
                "How strong is the involved limb, in per cent of the other limb before the injury?", 0.90 * 0.85 * 100, 0.1, "%", 0, 130,
                wrong=(
                    CommonWrong(90.0, "That is the index itself. But its denominator has shrunk to 85 %."),
                    CommonWrong(75.0, "You took 15 points off 90. A per cent of a per cent multiplies."),
                    CommonWrong(100 * 0.9 / 0.85, "You divided. The limb is weaker than the index says, not stronger."),
                    CommonWrong(87.5, "You took the middle. It is 90 % of 85 %."),
                ),
                hint="The other limb is down to 85 %, and the involved one is at 90 % of that.",
                explanation="So 90 % symmetry can go with a limb at 76.5 % of what it was. The other limb shrank too.",
                way="0.90 × 0.85 = 0.765, in per cent.",
            ),
            "symmetry": NumberExercise(
                "What is the limb symmetry index of this patient at week 26?",
                100 * one["involved"] / one["uninvolved"], 0.15, "%", 0, 250,
                wrong=(
                    CommonWrong(100 * one["uninvolved"] / one["involved"],
                                "This is upside down. The involved limb goes on top."),
                    CommonWrong(100 * one["involved"] / one["uninvolved_before"],
                                "You used the other limb before surgery. The index uses both limbs of the same day."),
                    CommonWrong(100 * (1 - one["involved"] / one["uninvolved"]),
                                "This is the deficit, what is missing to 100 %."),
                    CommonWrong(one["involved"] - one["uninvolved"], "This is a difference in N·m/kg, not a ratio."),
                ),
                hint="Divide the involved limb by the other limb of the same day, times 100.",
                explanation="Now compare with the limb before surgery: "
                f"it is only {100 * one['involved'] / one['uninvolved_before']:.0f} % of that.",
                way="100 × involved / uninvolved.",
            ),
            "lost_passes": NumberExercise(
                "How many patients pass 90 % now, but not against the limb before surgery?", lost, 0.2, "patients",
                0, len(now),
                wrong=(
                    CommonWrong(passed, "That is everyone who passes now. Some of them pass both."),
                    CommonWrong(int((before < BAR).sum()), "That is everyone who fails the second. Most fail both."),
                    CommonWrong(int(((now >= BAR) & (before >= BAR)).sum()), "Those pass both. You want the others."),
                ),
                hint="Count the triangles of the figure. Or read its sentence and subtract.",
                explanation=f"{lost} of {passed} who pass would fail with the older denominator. "
                "This decides nothing for one patient; it says what the number hides.",
                way="Take those who pass both from those who pass now.",
            ),
            "body_mass": NumberExercise(
                "By what per cent does the torque per kilogram rise?", 100 * (80 / 74 - 1), 0.1, "%", -50, 50,
                wrong=(
                    CommonWrong(0.0, "The muscle did not change, but the number divides by a smaller mass now."),
                    CommonWrong(7.5, "7.5 % is the loss of mass. The mass is below the line: 80 / 74, not 74 / 80."),
                    CommonWrong(100 * (200 / 74 - 200 / 80), "That is the rise in hundredths of N·m/kg. Divide it "
                                "by the 2.5 N·m/kg at the start."),
                ),
                hint="Compute 200 / 80 and 200 / 74 and compare.",
                explanation="A gain of 8 % without one newton more. Where body mass changes, show N·m as well.",
                way="200 / 74 over 200 / 80 is 80 / 74 = 1.081.",
            ),
            "test_error": NumberExercise(
                "What is the standard error of measurement, in N·m/kg?", error, max(0.004, 0.02 * error), "N·m/kg", 0, 2,
                wrong=(
                    CommonWrong(spread, "This is the spread of the differences. Two errors are in each difference: "
                                "divide by the square root of 2."),
                    CommonWrong(spread / TESTED_TWICE**0.5, "This is a standard error of a mean: it shrinks with more "
                                "patients. The error of one test does not."),
                    CommonWrong(everyone / TESTED_TWICE**0.5, "This is the standard error of the mean of the first "
                                "test. It tells how well the mean is known, not one knee."),
                    CommonWrong(everyone, "This is the spread between patients. You want the spread of one patient "
                                "around the same true torque."),
                    CommonWrong(spread / 2, "Nearly: divide by the square root of 2, not by 2."),
                ),
                hint="Take the standard deviation of the differences over the square root of 2.",
                explanation="That is how far one test strays from the truth, however many patients you test.",
                way="Standard deviation of (second − first), over √2.",
            ),
            "detectable": NumberExercise(
                "What is the minimal detectable change (MDC, 95 %)?", detectable, max(0.01, 0.02 * detectable),
                "N·m/kg", 0, 4,
                wrong=(
                    CommonWrong(1.96 * error, "A change takes two tests, and both err. The square root of 2 is missing."),
                    CommonWrong(2**0.5 * error, "This holds for about two thirds. For 95 % multiply by 1.96."),
                    CommonWrong(error, "This is the error of one test. A change has two tests in it."),
                    CommonWrong(1.96 * 2 * error, "Errors add as squares: the square root of 2, not 2."),
                    CommonWrong(1.96 * spread / TESTED_TWICE**0.5, "You divided by the number of patients. That is "
                                "for a mean, not for one patient."),
                ),
                hint="1.96 times the square root of 2 times the error of one test.",
                explanation="A smaller change in one patient may be noise alone.",
                way="1.96 × √2 × the standard error of measurement.",
            ),
            "one_point_over": ChoiceExercise(
                "What do the two tests say?", "c",
                {
                    "a": "The line was crossed, but by less than the error of two tests. It may be crossed back tomorrow.",
                    "b": "Noise does not prove that nothing happened. The tests cannot tell.",
                    "c": "A step of 5 points is inside the error of two ratios. Look at more visits and at the torque "
                    "itself. The treating clinician decides what follows.",
                    "d": "The kit describes groups. It never decides what one patient may do.",
                },
            ),
        }  # fmt: skip
