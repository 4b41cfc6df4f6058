"""Lesson 6: who did not come back; three ways to be lost, completers, carrying forward, the tipping point."""

from dataclasses import replace
from functools import cache, cached_property
from typing import Any, ClassVar

import numpy as np
import pandas as pd

from analysis.cohort import visit_frame
from analysis.curves import fit_mixed
from analysis.lessons.drawing import lesson_figure
from analysis.lessons.exercise_words import Answers, Numbers
from analysis.lessons.lesson import Lesson
from analysis.lessons.lesson_table import LessonTable, lesson_table
from analysis.lessons.sliders import Slider
from analysis.outcomes import choose_endpoint, tipping_point
from analysis.outcomes.missing.tipping_point import TippingPoint
from analysis.report.parts.figures import Figure
from analysis.report.parts.look import INK, marks
from synthetic_cohort import Effect, generate_cohort, load_scenario
from synthetic_cohort.generate import SyntheticCohort
from synthetic_cohort.scenarios.scenario import Scenario
from synthetic_cohort.scenarios.scenario_parts import Mechanism

PATIENTS, MEASURE, LAST, GOAL = 400, "knee_flexion", 52, 115
#: What the lesson calls the three mechanisms, and what the generator calls them.
MECHANISMS: dict[str, Mechanism] = {
    "chance alone": "completely at random",
    "what was seen": "at random",
    "what was not seen": "not at random",
}
STORY = "what was seen"
WAYS = ("mean of those seen", "last value carried forward", "mixed model")
#: Half are lost within the year; the odds of being lost go up by this factor for one standard deviation worse.
LOST_WEEKS, LOST_SHARES, ODDS = (4.0, 12.0, 26.0, 52.0), (0.10, 0.25, 0.40, 0.50), 4.0
#: The trial of the last part: patients, week, true difference in degrees, shifts tried.
TRIAL, TRIAL_WEEK, TRUE_DIFFERENCE = 300, 26, 5.0
SHIFTS = tuple(range(0, -61, -4))
#: Said where the error of the mixed model is within what chance makes; the mean over 30 seeds is 1.5 degrees.
_BY_CHANCE = " Here chance made the error small: over many such groups it is about 1.5 degrees on average."


class Absent(Lesson):
    """Tables, figures and exercises of lesson 6."""

    number: ClassVar[int] = 6
    title: ClassVar[str] = "Who did not come back?"

    def __init__(self, **how: Any) -> None:
        super().__init__(**how)
        self._by_mechanism = cache(self._tables)

    @cached_property
    def everyone(self) -> pd.Series:
        """Flexion at week 52 of all patients, seen or not, degrees: known only because they are invented."""
        return self._by_mechanism(STORY)[0][LAST].rename("flexion")

    @cached_property
    def seen(self) -> pd.Series:
        """Flexion at week 52 of those who came, degrees."""
        return self._by_mechanism(STORY)[1][LAST].dropna().rename("flexion")

    @cached_property
    def carried(self) -> pd.Series:
        """Flexion at week 52, degrees; for those who did not come the last value that was seen."""
        return self._by_mechanism(STORY)[1].ffill(axis=1)[LAST].rename("flexion")

    @cached_property
    def came(self) -> LessonTable:
        """By week: patients seen, and their mean flexion (degrees)."""
        seen = self._by_mechanism(STORY)[1]
        frame = pd.DataFrame({"week": seen.columns, "patients": seen.notna().sum(), "mean flexion": seen.mean()})
        return lesson_table(
            frame.reset_index(drop=True), "Who came, and how far their knees bent.", {"mean flexion": "degrees"}
        )

    @cached_property
    def errors(self) -> LessonTable:
        """Error of the mean at week 52, degrees: drop-out depends on, and a column for each way to compute it."""
        rows = [
            {"drop-out depends on": name} | {way: curves[way].iloc[-1] - curves["all"].iloc[-1] for way in WAYS}
            for name, curves in ((one, self._curves(one)) for one in MECHANISMS)
        ]
        caption = f"Error of the mean at week {LAST}; above 0 it looks better than it is."
        return lesson_table(pd.DataFrame(rows), caption, dict.fromkeys(WAYS, "degrees"))

    def mechanism_slider(self) -> Slider:
        """Show the curves of three ways to compute it beside the truth, by what drop-out depends on."""
        return Slider("Drop-out depends on", tuple(MECHANISMS), self._mechanism_figure, self._all_mechanisms)

    @cached_property
    def trial(self) -> SyntheticCohort:
        """An invented trial of two protocols with a true difference in flexion."""
        scenario = _losing(load_scenario("knee replacement").without_effects(), "at random", (0.08, 0.20, 0.30, 0.40))
        two = scenario.protocols[:2]
        home = tuple(
            replace(one, protocols=tuple(name for name in one.protocols if name in two)) for one in scenario.modalities
        )
        gain = Effect(two[1], MEASURE, "involved", "constant", TRUE_DIFFERENCE, 4)
        scenario = replace(scenario, protocols=two, modalities=home, brace=(), effects=(gain,))
        return generate_cohort(scenario, patients=TRIAL, seed=self.seed)

    @cached_property
    def tipping(self) -> TippingPoint:
        """The difference at week 26 when the missing values of the new protocol are shifted."""
        trial = self.trial.observed
        endpoint = choose_endpoint(trial, MEASURE, week=TRIAL_WEEK, criterion=None)
        return tipping_point(trial, endpoint, deltas=SHIFTS, draws=100, seed=self.seed)

    @cached_property
    def shifts(self) -> LessonTable:
        """The table of the tipping point: shift, difference, lower, upper, all in degrees."""
        table = self.tipping.table.rename(columns={"delta": "shift"})
        table = table.sort_values("shift", ascending=False)[["shift", "difference", "lower", "upper"]]
        caption = (
            f"New minus usual protocol at week {TRIAL_WEEK} when the missing values of the new one are shifted; 95 %."
        )
        units = dict.fromkeys(("shift", "difference", "lower", "upper"), "degrees")
        return lesson_table(
            table.reset_index(drop=True), caption, units, {"shift": 0, "difference": 2, "lower": 2, "upper": 2}
        )

    def tipping_figure(self) -> Figure:
        """Draw the difference and its interval at every shift."""
        frame, tips = self.shifts, self._tips_at()

        def draw(axes: Any) -> None:
            colour = marks(["one"])["one"].colour
            axes.fill_between(frame["shift"], frame["lower"], frame["upper"], color=colour, alpha=0.2)
            axes.plot(frame["shift"], frame["difference"], color=colour, marker="o", markersize=3.5)
            axes.axhline(0, color=INK, linewidth=0.9)
            axes.invert_xaxis()
            axes.set(xlabel="Degrees added to each missing value of the new protocol", ylabel="Difference, degrees")

        return lesson_figure(
            "Missing values shifted",
            f"With no shift the difference at week {TRIAL_WEEK} is {frame['difference'].iloc[0]:.1f} degrees (95 % interval "
            f"{frame['lower'].iloc[0]:.1f} to {frame['upper'].iloc[0]:.1f}). The interval first reaches down to 0 at a shift of "
            f"{tips:.0f}.",
            frame, draw, caption="100 imputed data sets; 95 % intervals by Rubin's rules.", height=3.2,
        )  # fmt: skip

    def trial_truth(self) -> LessonTable:
        """Uncover the truth of the trial: true difference, difference with shift 0, lower, upper (degrees), holds the truth."""
        row = self.shifts.iloc[[0]].drop(columns="shift").reset_index(drop=True)
        row.insert(0, "truth", TRUE_DIFFERENCE)
        row["holds the truth"] = "yes" if row["lower"].item() <= TRUE_DIFFERENCE <= row["upper"].item() else "no"
        units = dict.fromkeys(("truth", "difference", "lower", "upper"), "degrees")
        return lesson_table(
            row, f"New minus usual protocol at week {TRIAL_WEEK}, with shift 0; 95 % interval.", units, 2
        )

    def truth(self) -> LessonTable:
        """Uncover the truth: what each way makes of week 52, and the mean of all, degrees."""
        frame = pd.DataFrame([self._curves(name).iloc[-1][["all", *WAYS]] for name in MECHANISMS]).reset_index(
            drop=True
        )
        frame.insert(0, "drop-out depends on", list(MECHANISMS))
        return lesson_table(frame, f"Mean flexion at week {LAST}.", dict.fromkeys(("all", *WAYS), "degrees"))

    def _tables(self, name: str) -> tuple[pd.DataFrame, pd.DataFrame]:
        """Flexion of all and of those seen, one row a patient, one column a week."""
        scenario = _losing(load_scenario("knee replacement").without_effects(), MECHANISMS[name], LOST_SHARES)
        made = generate_cohort(scenario, patients=PATIENTS, seed=self.seed)
        whole, seen = (
            visit_frame(one, MEASURE).pivot_table(index="patient_id", columns="week", values="value")
            for one in (made.complete, made.observed)
        )
        return whole, seen.reindex(whole.index)

    def _curves(self, name: str) -> LessonTable:
        whole, seen = self._by_mechanism(name)
        long = seen.reset_index().melt("patient_id", var_name="week", value_name="value").astype({"week": float})
        model = fit_mixed(long, "value ~ C(week)", patient_effects=None, residual="unstructured")
        fitted = model.predict(pd.DataFrame({"week": seen.columns.astype(float)}))["estimate"]
        means = (whole.mean(), seen.mean(), seen.ffill(axis=1).mean(), fitted)
        columns = {way: np.asarray(one, dtype=float) for way, one in zip(("all", *WAYS), means, strict=True)}
        frame = pd.DataFrame({"week": seen.columns} | columns)
        return lesson_table(frame, "Mean flexion.", dict.fromkeys(columns, "degrees"))

    def _mechanism_figure(self, name: str) -> Figure:
        frame = self._curves(name)

        def draw(axes: Any) -> None:
            axes.plot(
                frame["week"], frame["all"], color=INK, linewidth=2.2, alpha=0.35, label="all patients, seen or not"
            )
            for way, mark in marks(list(WAYS)).items():
                axes.plot(frame["week"], frame[way], color=mark.colour, linestyle=mark.dash, marker=mark.marker,
                          markersize=4, label=way)  # fmt: skip
            axes.set_ylim(bottom=80)
            axes.set(xlabel="Week since surgery", ylabel="Mean flexion, degrees")
            axes.legend(loc="lower right")

        off = frame.iloc[-1]
        words = ", ".join(f"{way} {off[way] - off['all']:+.1f}" for way in WAYS)
        return lesson_figure(
            f"Drop-out depends on {name}",
            f"When drop-out depends on {name}, the error at week {LAST} is, in degrees: {words}.",
            frame, draw, caption=f"{PATIENTS} invented patients, about half lost within the year.", height=3.6,
        )  # fmt: skip

    def _all_mechanisms(self) -> Figure:
        frame = self.errors

        def draw(axes: Any) -> None:
            places = np.arange(len(frame))[::-1]
            for way, mark in marks(list(WAYS)).items():
                axes.plot(frame[way], places, mark.marker, color=mark.colour, label=way, markersize=7)
            axes.axvline(0, color=INK, linewidth=0.9)
            axes.set_yticks(places, frame["drop-out depends on"])
            axes.set_ylim(-1.4, len(frame) - 0.6)
            axes.set_xlabel(f"Error of the mean at week {LAST}, degrees")
            axes.legend(loc="lower left", ncols=1)

        words = "; ".join(
            f"{way} " + ", ".join(f"{error:+.1f} ({name})" for name, error in zip(MECHANISMS, frame[way], strict=True))
            for way in WAYS
        )
        return lesson_figure("Errors of three ways to compute it", f"Error at week {LAST} in degrees: {words}.", frame, draw,
                             caption=f"{PATIENTS} invented patients in each row.", height=3.0)  # fmt: skip

    def _tips_at(self) -> float:
        held = self.shifts[self.shifts["lower"] <= 0]
        return float(held["shift"].iloc[0])

    def _answers(self) -> Answers:
        every, seen, carried = float(self.everyone.mean()), float(self.seen.mean()), float(self.carried.mean())
        table = self.errors.set_index("drop-out depends on")
        off = dict(zip(WAYS, table.loc["what was not seen", list(WAYS)].to_numpy(dtype=float).tolist(), strict=True))
        reached, lost = int((self.seen >= GOAL).sum()), PATIENTS - len(self.seen)
        start = float(self.shifts["difference"].iloc[0])
        return {
            "mean_of_all": Numbers(
                every, 1.0, (0, 180), (seen, carried, 2 * seen - every), {"week": LAST, "patients": PATIENTS}
            ),
            "completers": Numbers(seen - every, 0.06, (-60, 60), (seen, every, 0.0)),
            "carried": Numbers(carried - every, 0.06, (-60, 60), (carried, seen - every, carried - seen)),
            "model_error": Numbers(
                off["mixed model"],
                0.06,
                (-60, 60),
                (off["mean of those seen"], off["last value carried forward"], 0.0),
                {"chance": "" if off["mixed model"] >= 1 else _BY_CHANCE},
            ),
            "lowest_share": Numbers(
                100 * reached / PATIENTS,
                0.15,
                (0, 100),
                (100 * reached / len(self.seen), 100 * (reached + lost) / PATIENTS, float(reached)),
                {
                    "patients": PATIENTS,
                    "goal": GOAL,
                    "largest": 100 * (reached + lost) / PATIENTS,
                    "all_seen": 100 * float((self.everyone >= GOAL).mean()),
                    "reached": reached,
                },
            ),
            "tipping": Numbers(self._tips_at(), 0.3, (-100, 100), (self._tips_at() - SHIFTS[1], start, 0.0)),
        }


def _losing(scenario: Scenario, mechanism: Mechanism, shares: tuple[float, ...]) -> Scenario:
    missing = replace(
        scenario.missingness, lost=mechanism, missed=mechanism, lost_weeks=LOST_WEEKS, lost_shares=shares,
        missed_share=0.0, untested_share=0.0, score_odds_ratio=ODDS, adherence_odds_ratio=1.0,
    )  # fmt: skip
    return replace(scenario, primary_measure=MEASURE, primary_limb="involved", missingness=missing)
