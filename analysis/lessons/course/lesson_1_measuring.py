"""Lesson 1: what was measured, and how well; symmetry and its denominator, the error of one test."""

from functools import cached_property
from typing import Any, ClassVar

import numpy as np
import pandas as pd

from analysis.cohort import visit_frame
from analysis.lessons.drawing import lesson_figure
from analysis.lessons.exercise_words import Answers, Numbers
from analysis.lessons.lesson import Lesson
from analysis.lessons.lesson_table import lesson_table
from analysis.outcomes import reliability
from analysis.report.parts.figures import Figure
from analysis.report.parts.look import FAINT, INK, marks
from synthetic_cohort import generate_cohort
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

        def draw(axes: Any) -> None:
            mark = marks(["both", "lost"])
            lost = passes & ~kept
            axes.scatter(now[~lost], before[~lost], s=18, color=FAINT, edgecolor=INK, linewidth=0.4)
            axes.scatter(now[lost], before[lost], s=34, marker="^", color=mark["lost"].colour)
            axes.axvline(BAR, color=INK, linewidth=0.8)
            axes.axhline(BAR, color=INK, linewidth=0.8)
            axes.set(xlabel="Involved limb, % of the other limb now", ylabel="% of the other limb before surgery")
            axes.text(0.98, 0.04, "▲ passes only by the limb now", transform=axes.transAxes, ha="right", fontsize=8,
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
        data = pd.DataFrame({"mean of both tests, N·m/kg": mean, "second minus first, N·m/kg": difference})

        def draw(axes: Any) -> None:
            axes.scatter(mean, difference, s=18, color=marks(["a", "b"])["b"].colour)
            for place in (-limit, 0.0, limit):
                axes.axhline(difference.mean() + place, color=INK, linewidth=0.8, linestyle="-" if not place else "--")
            axes.set(xlabel="Mean of both tests, N·m/kg", ylabel="Second minus first, N·m/kg")

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

    def _answers(self) -> Answers:
        now, before = self._symmetry()
        one = self.one_patient.iloc[0]
        lost = int(((now >= BAR) & (before < BAR)).sum())
        passed = int((now >= BAR).sum())
        error = self._error()
        spread = float((self.two_tests["second"] - self.two_tests["first"]).std(ddof=1))
        everyone = float(self.two_tests["first"].std(ddof=1))
        detectable = 1.96 * 2**0.5 * error
        return {
            "old_limb": Numbers(0.9 * 0.85 * 100, 0.1, (0, 130), (90.0, 75.0, 100 * 0.9 / 0.85, 87.5)),
            "symmetry": Numbers(
                100 * one["involved"] / one["uninvolved"],
                0.15,
                (0, 250),
                (
                    100 * one["uninvolved"] / one["involved"],
                    100 * one["involved"] / one["uninvolved_before"],
                    100 * (1 - one["involved"] / one["uninvolved"]),
                    one["involved"] - one["uninvolved"],
                ),
                {"of_before": 100 * one["involved"] / one["uninvolved_before"]},
            ),
            "lost_passes": Numbers(
                lost,
                0.2,
                (0, len(now)),
                (passed, int((before < BAR).sum()), int(((now >= BAR) & (before >= BAR)).sum())),
                {"lost": lost, "passed": passed},
            ),
            "body_mass": Numbers(100 * (80 / 74 - 1), 0.1, (-50, 50), (0.0, 7.5, 100 * (200 / 74 - 200 / 80))),
            "test_error": Numbers(
                error,
                max(0.004, 0.02 * error),
                (0, 2),
                (spread, spread / TESTED_TWICE**0.5, everyone / TESTED_TWICE**0.5, everyone, spread / 2),
            ),
            "detectable": Numbers(
                detectable,
                max(0.01, 0.02 * detectable),
                (0, 4),
                (1.96 * error, 2**0.5 * error, error, 1.96 * 2 * error, 1.96 * spread / TESTED_TWICE**0.5),
            ),
        }
