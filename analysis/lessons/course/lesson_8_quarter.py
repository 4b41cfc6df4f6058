"""Lesson 8: is this quarter different; common and special cause, fixed limits, funnel, case mix, small numbers."""

from collections.abc import Sequence
from functools import cached_property
from typing import Any, ClassVar

import numpy as np
import pandas as pd

from analysis.lessons.drawing import lesson_figure
from analysis.lessons.exercise_words import Answers, Numbers
from analysis.lessons.lesson import Lesson
from analysis.lessons.lesson_table import LessonTable, lesson_table
from analysis.lessons.sliders import Slider
from analysis.quarter import Funnel, funnel, p_chart
from analysis.quarter.sites.funnel import BEYOND_998
from analysis.report.parts.figures import Figure
from analysis.report.parts.look import INK, QUIET, marks

#: The clinic: quarters, those of the baseline, patients in each, and the share that truly reaches the goal.
QUARTERS, BASELINE, SIZE, SHARE = 20, 12, 40, 0.60
SIZES = (10, 20, 40, 80, 160)
#: The second clinic: after the baseline its true share falls by so much in each of the later quarters.
OTHER_SIZE, LATER, FALL = 60, 12, 0.02
#: Twenty clinics; all but the one of that size have the same true share.
OTHER_CLINIC, OTHER_SHARE = 260, 0.42
CLINIC_SIZES = (8, 9, 11, 12, 14, 16, 19, 22, 26, 30, 36, 43, 52, 64, 80, 105, 140, 190, 260, 380)
#: Case mix: patients by clinic and kind, and how many of them reached the goal.
CASE_MIX = pd.DataFrame(
    {
        "clinic": ["north", "north", "south", "south"], "patients are": ["younger", "older"] * 2,
        "patients": [20, 80, 80, 20], "reached": [16, 42, 58, 9],
    }
)  # fmt: skip
#: Of all clinics, the share that reaches the goal.
RATES = {"younger": 0.75, "older": 0.50}
HARMLESS = 30
_SHARE = {"share": "%"}


class Quarter(Lesson):
    """Tables, figures and exercises of lesson 8."""

    number: ClassVar[int] = 8
    title: ClassVar[str] = "Is this quarter different?"

    @cached_property
    def quiet(self) -> pd.DataFrame:
        """A clinic in which nothing changes: period, numerator (reached the goal), denominator, share (%)."""
        return self._drawn([SHARE] * QUARTERS, SIZE, 8)

    @cached_property
    def last_two(self) -> LessonTable:
        """The neighbouring quarters that fall the furthest, of those that break no rule: period, share (%)."""
        plain = p_chart(self.quiet, baseline=list(self.quiet["period"][:BASELINE])).table["rules"].eq("")
        fall = self.quiet["share"].diff().where(plain & plain.shift(1, fill_value=False))
        worst = int(fall.to_numpy(dtype=float, na_value=np.inf).argmin())
        rows = self.quiet.loc[[worst - 1, worst], ["period", "share"]].reset_index(drop=True)
        return lesson_table(rows, "Reached the goal.", _SHARE)

    @cached_property
    def moved(self) -> LessonTable:
        """A clinic that gets worse: period, share (%), and the rules that each quarter breaks when it comes in.

        Column fixed: by limits from the first 12 quarters. Column recomputed: by limits from the last 12 so far.
        """
        falling = [SHARE] * BASELINE + [SHARE - FALL * step for step in range(1, LATER + 1)]
        points = self._drawn(falling, OTHER_SIZE, 88)
        periods = list(points["period"])
        rows = []
        for last in range(BASELINE, BASELINE + LATER):
            far = points.iloc[: last + 1]
            rows.append([_rules(far, periods[:BASELINE]), _rules(far, periods[last + 1 - BASELINE : last + 1])])
        late = points.iloc[BASELINE:][["period", "share"]].reset_index(drop=True)
        late = late.assign(fixed=[row[0] for row in rows], recomputed=[row[1] for row in rows])
        return lesson_table(
            late, "Reached the goal, and the rules that each quarter broke on the day it came in.", _SHARE
        )

    @cached_property
    def clinics(self) -> LessonTable:
        """Twenty clinics by name, all but one truly alike: clinic, reached, patients, share (%)."""
        random = np.random.default_rng([self.seed, 80])
        names = [f"clinic {letter}" for letter in "ABCDEFGHIJKLMNOPQRST"]
        sizes = random.permutation(CLINIC_SIZES)
        reached = random.binomial(sizes, np.where(sizes == OTHER_CLINIC, OTHER_SHARE, SHARE))
        frame = pd.DataFrame({"clinic": names, "reached": reached, "patients": sizes})
        frame["share"] = 100 * frame["reached"] / frame["patients"]
        return lesson_table(frame, "Twenty clinics.", _SHARE)

    @cached_property
    def league(self) -> LessonTable:
        """The same clinics as a league table, best first, the first and the last four."""
        order = self._ranked()
        ends = pd.concat([order.head(4), order.tail(4)], ignore_index=True)
        return lesson_table(ends, "The first four and the last four of twenty.", _SHARE)

    def _ranked(self) -> pd.DataFrame:
        order = self.clinics.sort_values(["share", "clinic"], ascending=[False, True]).reset_index(drop=True)
        order.insert(0, "place", order.index + 1)
        return order

    @cached_property
    def funnel(self) -> Funnel:
        """The clinics against the exact limits about the whole."""
        return funnel(
            self.clinics.rename(columns={"clinic": "site", "reached": "numerator", "patients": "denominator"})
        )

    @property
    def mix(self) -> LessonTable:
        """Two clinics by kind of patient: clinic, patients are, patients, reached, share (%)."""
        frame = CASE_MIX.assign(share=100 * CASE_MIX["reached"] / CASE_MIX["patients"])
        return lesson_table(frame, "Two clinics by kind of patient.", _SHARE)

    @property
    def mix_together(self) -> LessonTable:
        """The same two clinics without telling patients apart: clinic, patients, reached, share (%)."""
        whole = CASE_MIX.groupby("clinic", as_index=False)[["patients", "reached"]].sum()
        frame = whole.assign(share=100 * whole["reached"] / whole["patients"])
        return lesson_table(frame, "Two clinics, all patients together.", _SHARE)

    def quiet_figure(self) -> Figure:
        """Draw the quarters of the quiet clinic, without limits."""
        frame = lesson_table(self.quiet[["period", "share"]], "Reached the goal.", _SHARE)
        return lesson_figure(
            "Twenty quarters",
            f"The share that reached the goal goes from {frame['share'].min():.0f} to {frame['share'].max():.0f} %.",
            frame, lambda axes: _draw_quarters(axes, frame), height=2.9,
            caption=f"One invented clinic, {SIZE} patients a quarter.",
        )  # fmt: skip

    def limits_figure(self) -> Figure:
        """Draw the same quarters with centre line and control limits from the first 12."""
        return self._chart(self.quiet, SIZE, "The same quarters with control limits")

    def quarter_size_slider(self) -> Slider:
        """Show the quarters with their limits, by the patients in a quarter."""
        return Slider("Patients in a quarter", SIZES, self._size_figure, self._all_sizes, start=2, unit="patients")

    def funnel_figure(self) -> Figure:
        """Draw the clinics by size, with the limits about the whole."""
        found = self.funnel
        limits, frame = found.limits, self.clinics

        def draw(axes: Any) -> None:
            for name, dash in (("95", "--"), ("998", "-")):
                for end in ("lower", "upper"):
                    axes.plot(limits["denominator"], 100 * limits[f"{end}_{name}"], color=QUIET, linestyle=dash,
                              linewidth=1.1, label={"95": "95 %", "998": "99.8 %"}[name] if end == "lower" else None)  # fmt: skip
            axes.axhline(100 * found.target, color=INK, linewidth=0.9)
            axes.plot(frame["patients"], frame["share"], "o", color=marks(["one"])["one"].colour, markersize=5)
            axes.set(xlabel="Patients of the clinic", ylabel="Reached the goal, %")
            axes.legend(loc="lower right", title="limits", title_fontsize=8)

        return lesson_figure(
            "Twenty clinics by size",
            f"Outside the outer limits: {self._outside('998')} of {len(frame)} clinics; outside the inner ones: "
            f"{self._outside('95')}.",
            frame, draw, caption="Limits about the share of all clinics together: dashed 95 %, solid 99.8 %.", height=3.4,
        )  # fmt: skip

    def truth(self) -> LessonTable:
        """Uncover the truth: what was put in, and what was seen, %."""
        other, alike = (self.clinics[(self.clinics["patients"] == OTHER_CLINIC) == is_it] for is_it in (True, False))
        fallen = 100 * (SHARE - FALL * LATER)
        frame = pd.DataFrame(
            [
                ["the quiet clinic, every quarter", 100 * SHARE, self.quiet["share"].min(), self.quiet["share"].max()],
                ["the second clinic, last quarter", fallen, *[self.moved["share"].iloc[-1]] * 2],
                ["nineteen of the clinics", 100 * SHARE, alike["share"].min(), alike["share"].max()],
                [f"{other['clinic'].iloc[0]}, the other one", 100 * OTHER_SHARE, *[other["share"].iloc[0]] * 2],
            ],
            columns=["what", "truth", "lowest seen", "highest seen"],
        )
        units = dict.fromkeys(("truth", "lowest seen", "highest seen"), "%")
        return lesson_table(frame, "Share that reaches the goal: what was put in, and what was seen.", units)

    def _drawn(self, shares: Sequence[float], size: int, stream: int) -> pd.DataFrame:
        reached = np.random.default_rng([self.seed, stream]).binomial(size, shares)
        periods = [f"{2022 + number // 4}-Q{number % 4 + 1}" for number in range(len(shares))]
        frame = pd.DataFrame({"period": periods, "numerator": reached, "denominator": size})
        return frame.assign(share=100 * frame["numerator"] / size)

    def _outside(self, name: str) -> int:
        table = self.funnel.table
        return int(((table["value"] < table[f"lower_{name}"]) | (table["value"] > table[f"upper_{name}"])).sum())

    def _size_figure(self, size: int) -> Figure:
        points = self.quiet if size == SIZE else self._drawn([SHARE] * QUARTERS, size, 800 + size)
        return self._chart(points, size, f"Quarters of {size} patients")

    def _chart(self, points: pd.DataFrame, size: int, title: str) -> Figure:
        table = p_chart(points, baseline=list(points["period"][:BASELINE])).table
        limits = (100 * table[["lower", "centre", "upper"]]).iloc[0].to_numpy(dtype=float)
        lower, centre, upper = limits.tolist()
        drawn = points[["period", "share"]].assign(lower=lower, centre=centre, upper=upper)

        def draw(axes: Any) -> None:
            axes.axvspan(-0.5, BASELINE - 0.5, color=QUIET, alpha=0.12)
            _draw_quarters(axes, points)
            axes.axhline(centre, color=INK, linewidth=0.9)
            for limit in (lower, upper):
                axes.axhline(limit, color=INK, linewidth=1, linestyle="--")

        return lesson_figure(
            title,
            f"With {size} patients in a quarter the limits are {lower:.0f} and {upper:.0f} %; the quarters go from "
            f"{points['share'].min():.0f} to {points['share'].max():.0f} %.",
            lesson_table(drawn, "Reached the goal.", dict.fromkeys(("share", "lower", "centre", "upper"), "%")), draw,
            height=2.9,
            caption="True share 60 % in every quarter. Dashed: control limits from the 12 quarters on grey.",
        )  # fmt: skip

    def _all_sizes(self) -> Figure:
        half = [300 * (SHARE * (1 - SHARE) / size) ** 0.5 for size in SIZES]
        frame = lesson_table(pd.DataFrame({"patients": SIZES, "limit": half}), "Limits.", {"limit": "points"})

        def draw(axes: Any) -> None:
            axes.plot(frame["patients"], frame["limit"], marker="o", color=marks(["one"])["one"].colour)
            axes.set_xscale("log")
            axes.set_xticks(SIZES, [str(size) for size in SIZES])
            axes.minorticks_off()
            axes.set_ylim(bottom=0)
            axes.set(xlabel="Patients in a quarter", ylabel="Limit from the centre, points")

        words = ", ".join(f"{limit:.0f} with {size}" for size, limit in zip(SIZES, half, strict=True))
        return lesson_figure(
            "How far the limits lie from the centre", f"In percentage points, at a share of 60 %: {words}.", frame, draw,
            caption="Three standard deviations of a share of 60 %.", height=2.6,
        )  # fmt: skip

    def _answers(self) -> Answers:
        shares, before_after = self.quiet["share"], self.last_two["share"]
        spread, sigma = float(shares.max() - shares.min()), (SHARE * (1 - SHARE) / SIZE) ** 0.5
        fixed, recomputed = (int(self.moved[name].ne("").sum()) for name in ("fixed", "recomputed"))
        within = self.funnel.table.loc[self.funnel.table["region"] != BEYOND_998, "site"]
        low = self._ranked()[lambda ranked: ranked["clinic"].isin(within)].iloc[-1]
        outer, north = self._outside("998"), self.mix_together.iloc[0]
        kinds = CASE_MIX[CASE_MIX["clinic"] == "north"].set_index("patients are")["patients"]
        expected = float(sum(RATES[kind] * kinds[kind] for kind in RATES))
        worst = 100 * (1 - 0.05 ** (1 / HARMLESS))
        return {
            "spread": Numbers(spread, 3.0, (0, 100), (0.0, 5.0, float(shares.max()))),
            "lower_limit": Numbers(
                100 * (SHARE - 3 * sigma),
                0.4,
                (0, 100),
                (
                    100 * (SHARE + 3 * sigma),
                    100 * (SHARE - sigma),
                    100 * (SHARE - 2 * sigma),
                    100 * 3 * sigma,
                    100 * (SHARE - 3 * SHARE * (1 - SHARE) / SIZE),
                ),
                {"patients": SIZE},
            ),
            "news": {"fall": before_after.iloc[0] - before_after.iloc[1]},
            "signals": Numbers(
                float(fixed),
                0.2,
                (-1, LATER + 1),
                (float(recomputed), float(LATER), 0.0),
                {
                    "quarters": LATER,
                    "so": "They move along with the fall and excuse it."
                    if recomputed < fixed - 1
                    else "Mostly they find far fewer, for they move along with the fall. Here chance helped them.",
                    "recomputed": recomputed,
                },
            ),
            "outside": Numbers(
                float(outer),
                0.2,
                (-1, 21),
                (float(self._outside("95")), 10.0, 20.0, 0.0),
                {"clinic": low["clinic"], "patients": low["patients"], "place": low["place"]},
            ),
            "expected": Numbers(
                expected,
                0.2,
                (0, 100),
                (100 * sum(RATES.values()) / 2, float(north["reached"]), 0.75 * 80 + 0.5 * 20, 0.75 * 100),
                {"reached": north["reached"]},
            ),
            "no_harm": Numbers(
                100 * 3 / HARMLESS,
                0.6,
                (0, 100),
                (0.0, 100 / HARMLESS, 3.0, 100 * (1 - 0.025 ** (1 / HARMLESS))),
                {"patients": HARMLESS, "worst": worst},
            ),
        }


def _rules(points: pd.DataFrame, baseline: Sequence[str]) -> str:
    return str(p_chart(points, baseline=list(baseline)).table["rules"].iloc[-1])


def _draw_quarters(axes: Any, points: pd.DataFrame) -> None:
    axes.plot(range(len(points)), points["share"], marker="o", markersize=4.5, linewidth=1.2,
              color=marks(["one"])["one"].colour)  # fmt: skip
    axes.set_xticks(range(0, len(points), 4), points["period"].iloc[::4])
    axes.set_ylim(0, 100)
    axes.set_ylabel("Reached the goal, %")
