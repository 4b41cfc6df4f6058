"""Lesson 7: did doing the programme help; adherence follows recovery, the naive slope, and the allocation of a trial."""

from dataclasses import replace
from functools import cache, cached_property
from typing import Any, ClassVar

import numpy as np
import pandas as pd

from analysis.cohort import Cohort
from analysis.cohort.modalities import NMES
from analysis.lessons.drawing import lesson_figure
from analysis.lessons.exercise_words import Answers, Numbers
from analysis.lessons.lesson import Lesson
from analysis.lessons.lesson_table import LessonTable, lesson_table
from analysis.lessons.sliders import Slider
from analysis.outcomes import (
    AdherenceAssociation,
    ComplierEffect,
    Endpoint,
    adherence_association,
    choose_endpoint,
    complier_effect,
)
from analysis.report.parts.figures import Figure
from analysis.report.parts.look import INK, marks
from synthetic_cohort import generate_cohort, load_scenario

PATIENTS, MEASURE, WEEK = 800, "quadriceps_torque", 52
MODALITY = NMES
#: True gain from all instead of none of the sessions, N·m/kg.
EFFECT = 0.20
#: Log odds of doing a session for one standard deviation of the patient's own recovery: the steps of the slider, and
#: the one that the lesson is about.
STEPS = {"not at all": 0.0, "a little": 0.25, "clearly": 0.5, "strongly": 1.0, "very strongly": 2.0}
STORY = "strongly"
WAYS = ("those who did more", "by allocation")
_TORQUE = "N·m/kg"
_UNITS = {"share_done": "1 is all", "gain": _TORQUE}


class Doing(Lesson):
    """Tables, figures and exercises of lesson 7."""

    number: ClassVar[int] = 7
    title: ClassVar[str] = "Did doing the programme help?"

    def __init__(self, **how: Any) -> None:
        super().__init__(**how)
        self._trial = cache(self._make)

    @cached_property
    def patients(self) -> LessonTable:
        """One row a patient: protocol, share_done (of the stimulation sessions), gain (N·m/kg to week 52)."""
        found = self._effect(STORY).patients
        frame = found.rename(columns={"exposure": "share_done", "improvement": "gain"})
        frame = frame[["protocol", "share_done", "gain"]].reset_index(drop=True)
        return lesson_table(frame, "Patients of the trial.", _UNITS, 2)

    @cached_property
    def offered(self) -> pd.DataFrame:
        """The rows of those who were offered the stimulation."""
        return self.patients[self.patients["protocol"] != self._reference()].reset_index(drop=True)

    @cached_property
    def not_offered(self) -> pd.DataFrame:
        """The rows of those who were not."""
        return self.patients[self.patients["protocol"] == self._reference()].reset_index(drop=True)

    @cached_property
    def thirds(self) -> LessonTable:
        """Those offered, in thirds by what they did: third, patients, share_done, gain (N·m/kg), both means."""
        order = self.offered["share_done"].rank(method="first")
        names = ["did least", "in the middle", "did most"]
        third = pd.qcut(order, 3, labels=names)
        means = self.offered.groupby(third, observed=True).agg(
            patients=("gain", "size"), share_done=("share_done", "mean"), gain=("gain", "mean")
        )
        caption = "Those who were offered stimulation, in thirds by the share of the sessions done; means."
        return lesson_table(means.rename_axis("third").reset_index(), caption, _UNITS, {"share_done": 2, "gain": 3})

    @cached_property
    def slopes(self) -> LessonTable:
        """The kit's slope of the gain on the share done: method, slope, lower, upper (N·m/kg for all instead of none)."""
        table = self._association(STORY).table
        rows = table.loc[table["method"].isin(["naive", "adjusted"]), ["method", "slope", "lower", "upper"]]
        caption = "Gain for all sessions instead of none, as those who did more and those who did less gained; 95 % intervals."
        return lesson_table(rows, caption, dict.fromkeys(("slope", "lower", "upper"), _TORQUE), 3)

    @cached_property
    def by_allocation(self) -> LessonTable:
        """The kit's effect by allocation: effect, lower, upper (N·m/kg for all instead of none)."""
        found = self._effect(STORY).table
        caption = "Gain for all sessions instead of none, by allocation, adjusted for the baseline; 95 % interval."
        units = dict.fromkeys(("effect", "lower", "upper"), _TORQUE)
        return lesson_table(found[["effect", "lower", "upper"]].astype(float), caption, units, 3)

    @cached_property
    def estimates(self) -> LessonTable:
        """Both ways by how strongly sessions follow recovery: follows, way, estimate, lower, upper (N·m/kg)."""
        return _with_units(pd.concat([self._estimates(step) for step in STEPS], ignore_index=True))

    def thirds_figure(self) -> Figure:
        """Draw the gain of those offered against the share of the sessions done."""
        frame, means = self.offered, self.thirds

        def draw(axes: Any) -> None:
            one, other = marks(["a", "b"]).values()
            axes.scatter(100 * frame["share_done"], frame["gain"], s=9, color=one.colour, alpha=0.35)
            axes.plot(100 * means["share_done"], means["gain"], color=other.colour, marker="s", markersize=7,
                      label="mean of a third")  # fmt: skip
            axes.axhline(0, color=INK, linewidth=0.9)
            axes.set(
                xlabel="Stimulation sessions done, % of those prescribed",
                ylabel=f"Gain in torque to week {WEEK}, N·m/kg",
            )
            axes.legend(loc="lower right")

        words = ", ".join(f"{row.third} {row.gain:+.2f}" for row in means.itertuples())
        return lesson_figure("Sessions done and gain", f"Mean gain in N·m/kg: {words}.", frame, draw,
                             caption=f"{len(frame)} invented patients who were offered stimulation.", height=3.4)  # fmt: skip

    def following_slider(self) -> Slider:
        """Show both ways to compute it beside the truth, by how strongly sessions follow recovery."""
        return Slider("Sessions follow recovery", tuple(STEPS), self._estimates_figure, self._all)

    def truth(self) -> LessonTable:
        """Uncover the truth: what each way says of all instead of none of the sessions, N·m/kg."""
        rows = self._estimates(STORY)[["way", "estimate", "lower", "upper"]]
        units = dict.fromkeys(("estimate", "lower", "upper", "truth"), _TORQUE)
        return lesson_table(rows.assign(truth=EFFECT), "All sessions instead of none; 95 % intervals.", units, 2)

    def _reference(self) -> str:
        return load_scenario("knee replacement").reference

    def _make(self, follows: str) -> Cohort:
        """Make a trial of two protocols in which sessions follow recovery, and each session done adds a little."""
        scenario = load_scenario("knee replacement").without_effects()
        two = scenario.protocols[:2]
        home = tuple(
            replace(one, protocols=tuple(name for name in one.protocols if name in two)) for one in scenario.modalities
        )
        habits = replace(scenario.home, follows_recovery=STEPS[follows], gain_of_full_adherence=0.0)
        scenario = replace(scenario, protocols=two, modalities=home, brace=(), events=(), home=habits)
        made = generate_cohort(scenario, patients=PATIENTS, seed=self.seed).complete
        sessions = pd.DataFrame(made.sessions)
        done = sessions[sessions["modality"] == MODALITY].groupby("patient_id")
        share = done["sessions_done"].sum() / done["sessions_prescribed"].sum()
        visits = made.visits.copy()
        at = (visits["measure"] == MEASURE) & (visits["limb"] == "involved") & (visits["week"] == WEEK)
        visits.loc[at, "value"] += EFFECT * visits.loc[at, "patient_id"].map(share).astype(float).fillna(0)
        return Cohort(
            made.patients, visits, sessions=sessions, reference=made.reference, counted_from=made.counted_from
        )

    def _association(self, follows: str) -> AdherenceAssociation:
        cohort = self._trial(follows)
        return adherence_association(cohort, _gain(cohort), modality=MODALITY)

    def _effect(self, follows: str) -> ComplierEffect:
        cohort = self._trial(follows)
        return complier_effect(cohort, _gain(cohort), randomised=True, modality=MODALITY)

    def _estimates(self, follows: str) -> LessonTable:
        naive = self._association(follows).table.iloc[0]
        honest = self._effect(follows).table.iloc[0]
        rows = [(naive["slope"], naive["lower"], naive["upper"]), (honest["effect"], honest["lower"], honest["upper"])]
        frame = pd.DataFrame(rows, columns=["estimate", "lower", "upper"], dtype=float)
        frame.insert(0, "way", WAYS)
        frame.insert(0, "follows", follows)
        return _with_units(frame)

    def _estimates_figure(self, follows: str) -> Figure:
        frame = self._estimates(follows)

        def draw(axes: Any) -> None:
            for place, (row, mark) in enumerate(zip(frame.itertuples(), marks(list(WAYS)).values(), strict=True)):
                axes.plot([row.lower, row.upper], [1 - place] * 2, color=mark.colour, linewidth=2)
                axes.plot(row.estimate, 1 - place, mark.marker, color=mark.colour, markersize=8)
            axes.axvline(EFFECT, color=INK, linewidth=1)
            axes.axvline(0, color=INK, linewidth=0.9, linestyle=":")
            axes.set_yticks([1, 0], list(WAYS))
            axes.set_ylim(-0.6, 1.6)
            axes.set_xlim(-0.2, 0.8)
            axes.set_xlabel("All instead of none of the sessions, N·m/kg")

        words = "; ".join(
            f"{row.way} {row.estimate:.2f} ({row.lower:.2f} to {row.upper:.2f}, which {_holds(row)} the truth)"
            for row in frame.itertuples()
        )
        return lesson_figure(
            f"Sessions follow recovery {follows}",
            f"When sessions follow recovery {follows}, the two ways say: {words}. The truth is {EFFECT:.2f}.",
            frame, draw, caption="Vertical line: the truth; dotted: no effect; bars: 95 % intervals.", height=2.2,
        )  # fmt: skip

    def _all(self) -> Figure:
        frame = self.estimates

        def draw(axes: Any) -> None:
            for shift, (way, mark) in zip((-0.06, 0.06), marks(list(WAYS)).items(), strict=True):
                rows = frame[frame["way"] == way]
                bars = [rows["estimate"] - rows["lower"], rows["upper"] - rows["estimate"]]
                axes.errorbar(np.arange(len(rows)) + shift, rows["estimate"], yerr=bars, fmt=mark.marker,
                              color=mark.colour, label=way)  # fmt: skip
            axes.axhline(EFFECT, color=INK, linewidth=1)
            axes.set_xticks(range(len(STEPS)), list(STEPS))
            axes.set(xlabel="Sessions follow recovery", ylabel="All instead of none, N·m/kg")
            axes.legend(loc="upper left")

        words = "; ".join(
            f"{way} " + ", ".join(f"{one.estimate:.2f} ({one.follows})" for one in rows.itertuples())
            for way, rows in frame.groupby("way", sort=False)
        )
        return lesson_figure(
            "Two ways to compute the effect of the sessions", f"In N·m/kg, where {EFFECT:.2f} is true: {words}.", frame, draw,
            caption="Level line: the truth; bars: 95 % intervals.", height=3.2,
        )  # fmt: skip

    def _answers(self) -> Answers:
        low, middle, high = self.thirds["gain"].to_numpy(dtype=float).tolist()
        shares = self.thirds["share_done"].to_numpy(dtype=float)
        gap, apart = high - low, float(shares[2] - shares[0])
        naive, adjusted = self.slopes["slope"].to_numpy(dtype=float).tolist()
        difference = float(self.offered["gain"].mean() - self.not_offered["gain"].mean())
        dose = float(self.offered["share_done"].mean())
        kept = self.offered[self.offered["share_done"] >= 0.5]
        kept_difference = float(kept["gain"].mean() - self.not_offered["gain"].mean())
        return {
            "gap": Numbers(gap, 0.0025, (-2, 2), (high, low, apart, high - middle)),
            "due_to_sessions": Numbers(EFFECT * apart, 0.03, (-1, 2), (gap, 0.0, EFFECT)),
            "slope": Numbers(0.5 * naive, 0.001, (-2, 2), (naive, 0.5 * adjusted, 0.5 * EFFECT)),
            "offered": Numbers(difference, 0.004, (-2, 2), (float(self.offered["gain"].mean()), kept_difference, gap)),
            "per_session_share": Numbers(
                difference / dose,
                0.012,
                (-3, 3),
                (difference, difference * dose, naive),
                {"lower": self.by_allocation["lower"].iloc[0], "upper": self.by_allocation["upper"].iloc[0]},
            ),
            "dropped": {"difference": difference, "kept": kept_difference},
        }


def _holds(row: Any) -> str:
    return "holds" if row.lower <= EFFECT <= row.upper else "misses"


def _with_units(estimates: pd.DataFrame) -> LessonTable:
    units = dict.fromkeys(("estimate", "lower", "upper"), _TORQUE)
    return lesson_table(estimates, "All sessions instead of none; 95 % intervals.", units, 2)


def _gain(cohort: Cohort) -> Endpoint:
    return choose_endpoint(cohort, MEASURE, week=WEEK, criterion=None)
