"""Lesson 2: repeated visits; what averaging hides, how many patients stand behind the rows, partial pooling."""

from functools import cached_property
from typing import Any, ClassVar

import numpy as np
import pandas as pd

from analysis.cohort import visit_frame
from analysis.curves import fit_mixed
from analysis.lessons.drawing import lesson_figure
from analysis.lessons.exercise_words import Answers, Numbers
from analysis.lessons.lesson import Lesson
from analysis.lessons.lesson_table import lesson_table
from analysis.lessons.sliders import Slider
from analysis.report.parts.figures import Figure
from analysis.report.parts.look import FAINT, INK, QUIET, marks
from synthetic_cohort import generate_cohort

PATIENTS, SHOWN = 60, 10
LATE_WEEKS = (12, 26, 52)
#: Invented clinic of the slider: spread of true angles, and spread of one visit around them, degrees.
TRUE_SPREAD, VISIT_SPREAD, CENTRE = 6.0, 8.0, 110.0
STEPS = (1, 2, 3, 5, 10, 20)


class Repeated(Lesson):
    """Tables, figures and exercises of lesson 2."""

    number: ClassVar[int] = 2
    title: ClassVar[str] = "Why not just average the visits?"

    @cached_property
    def flexion(self) -> pd.DataFrame:
        """Knee flexion in degrees, one row a visit: patient_id, week, value."""
        cohort = generate_cohort("knee replacement", patients=PATIENTS, seed=self.seed).observed
        frame = visit_frame(cohort, "knee_flexion")[["patient_id", "week", "value"]]
        return lesson_table(frame, "Knee flexion, one row a visit.", {"value": "degrees"}, 0)

    @cached_property
    def late(self) -> pd.DataFrame:
        """The visits at weeks 12, 26 and 52, when most knees have levelled off."""
        return self.flexion[self.flexion["week"].isin(LATE_WEEKS)].reset_index(drop=True)

    @cached_property
    def patient_means(self) -> pd.DataFrame:
        """One row a patient: the mean of the late visits, and their number."""
        means = self.late.groupby("patient_id", observed=True)["value"].agg(["mean", "size"]).reset_index()
        return lesson_table(means, "Knee flexion, one row a patient.", {"mean": "degrees"}, 1)

    @cached_property
    def parts(self) -> pd.DataFrame:
        """Variance of the late visits between patients and within a patient, degrees squared, by a mixed model."""
        frame = self.late.assign(visit=self.late["week"].astype(int).astype(str))
        fit = fit_mixed(frame, "value ~ visit", patient_effects="1")
        between = float(np.asarray(fit.patient_covariance).ravel()[0])
        parts = pd.DataFrame({"part": ["between patients", "within a patient"], "variance": [between, _residual(fit)]})
        return lesson_table(parts, "The variance of flexion in two parts.", {"variance": "degrees squared"}, 1)

    def spaghetti_figure(self) -> Figure:
        """Draw every patient as a line and the mean of the visits over them."""
        frame = self.flexion
        mean = frame.groupby("week")["value"].agg(["mean", "size"]).reset_index()

        def draw(axes: Any) -> None:
            for _, rows in frame.groupby("patient_id", observed=True):
                axes.plot(rows["week"], rows["value"], color=FAINT, linewidth=0.7)
            axes.plot(mean["week"], mean["mean"], color=marks(["a", "b"])["b"].colour, linewidth=2.6, marker="o")
            axes.set(xlabel="Week since surgery", ylabel="Flexion, degrees")

        low, high = mean["mean"].min(), mean["mean"].max()
        return lesson_figure(
            "Every patient a line", f"The mean runs between {low:.0f} and {high:.0f} degrees, but single patients lie "
            f"between {frame['value'].min():.0f} and {frame['value'].max():.0f}, and most keep their place in the order.",
            mean.rename(columns={"mean": "mean, degrees", "size": "patients"}), draw, caption=f"{PATIENTS} invented "
            "patients; week 0 is before the knee was replaced. Thick: mean of the visits seen.",
            height=3.4,
        )  # fmt: skip

    def partial_pooling_slider(self) -> Slider:
        """Show how far estimates are drawn to the mean of all, by the number of visits."""
        return Slider("Visits of each patient", STEPS, self._pooling_figure, self._pooling_still, unit="visits")

    def truth(self) -> pd.DataFrame:
        """Uncover the truth: usual error of both estimates over 400 patients, by the number of visits."""
        rows = []
        for visits in STEPS:
            true, own, pooled = self._clinic(visits, 400)
            errors = [float(np.sqrt(np.mean((one - true) ** 2))) for one in (own, pooled)]
            rows.append({"visits": visits, "error of own mean": errors[0], "error of pooled": errors[1]})
        units = {"error of own mean": "degrees", "error of pooled": "degrees"}
        return lesson_table(pd.DataFrame(rows), "How far off, usually, by the visits of each patient.", units, 1)

    def _clinic(self, visits: int, patients: int) -> tuple[Any, Any, Any]:
        random = np.random.default_rng([self.seed, 2])
        true = CENTRE + TRUE_SPREAD * random.standard_normal(patients)
        noise = random.standard_normal((patients, max(STEPS)))[:, :visits].mean(axis=1)
        own = true + VISIT_SPREAD * noise
        return true, own, CENTRE + own_weight(visits) * (own - CENTRE)

    def _pooling_figure(self, visits: int) -> Figure:
        true, own, pooled = self._clinic(visits, SHOWN)
        data = pd.DataFrame({"patient": range(1, SHOWN + 1), "own mean": own, "pooled": pooled, "truth": true})
        weight = own_weight(visits)
        return lesson_figure(
            f"Partial pooling with {visits} visit{'' if visits == 1 else 's'}",
            f"With {visits} visit{'' if visits == 1 else 's'} the own mean has a weight of {100 * weight:.0f} %; estimates "
            f"move towards the mean by {np.abs(pooled - own).mean():.1f} degrees on average.",
            data, lambda axes: _draw_pooling(axes, data), height=3.2,
            caption=f"{SHOWN} invented patients; dashed: mean of all patients.",
        )  # fmt: skip

    def _pooling_still(self) -> Figure:
        frames = {visits: pd.DataFrame(dict(zip(("truth", "own mean", "pooled"), self._clinic(visits, SHOWN), strict=True)))
                  for visits in (1, 3, 20)}  # fmt: skip
        for frame in frames.values():
            frame.insert(0, "patient", range(1, SHOWN + 1))

        def draw(panels: Any) -> None:
            for position, (axes, (visits, frame)) in enumerate(zip(panels, frames.items(), strict=True)):
                _draw_pooling(axes, frame, legend=position == 0)
                axes.set_title(f"{visits} visit{'' if visits == 1 else 's'}")

        table = pd.concat([frame.assign(visits=visits) for visits, frame in frames.items()], ignore_index=True)
        weights = ", ".join(f"{100 * own_weight(visits):.0f} % with {visits}" for visits in STEPS)
        return lesson_figure("Partial pooling by number of visits", f"Weight of the own mean: {weights} visits.", table,
                             draw, caption="Dashed: mean of all patients.", height=3.0, panels=3)  # fmt: skip

    def _answers(self) -> Answers:
        late, means = self.late, self.patient_means
        naive = float(late["value"].std(ddof=1) / len(late) ** 0.5)
        honest = float(means["mean"].std(ddof=1) / len(means) ** 0.5)
        between, within = (float(one) for one in self.parts["variance"])
        share = 100 * between / (between + within)
        return {
            "patients": Numbers(
                len(means),
                0.2,
                (0, len(late)),
                (len(late), len(LATE_WEEKS), PATIENTS),
                {"rows": len(late), "patients": len(means)},
            ),
            "honest_error": Numbers(
                honest / naive,
                0.03,
                (0, 20),
                (naive / honest, (len(late) / len(means)) ** 0.5, len(late) / len(means), honest),
            ),
            "between": Numbers(
                share,
                0.6,
                (0, 100),
                (100 - share, 100 * between**0.5 / (between**0.5 + within**0.5), 100 * within / between),
            ),
            "own_weight": Numbers(
                100 * own_weight(3),
                0.4,
                (0, 100),
                (
                    100 * own_weight(1),
                    100 * (1 - own_weight(3)),
                    100 * 3 * TRUE_SPREAD / (3 * TRUE_SPREAD + VISIT_SPREAD),
                    100.0,
                ),
            ),
        }


def own_weight(visits: int) -> float:
    """Give the weight of a patient's own mean against the mean of all patients.

    Parameters
    ----------
    visits : int
        Visits of the patient.

    Returns
    -------
    float
        n T² / (n T² + S²), T and S the standard deviations of true angles and of one visit around them: the best linear
        prediction of a random intercept (Laird and Ware, Biometrics 1982;38:963).

    Examples
    --------
    >>> round(own_weight(3), 3)
    0.628
    """
    return visits * TRUE_SPREAD**2 / (visits * TRUE_SPREAD**2 + VISIT_SPREAD**2)


def _residual(fit: Any) -> float:
    parameters = fit.covariance_parameters
    return float(parameters.loc[parameters["part"] == "residual", "estimate"].iloc[0])


def _draw_pooling(axes: Any, data: pd.DataFrame, *, legend: bool = True) -> None:
    mark = marks(["truth", "own mean", "pooled"])
    for _, row in data.iterrows():
        axes.annotate("", (row["patient"], row["pooled"]), (row["patient"], row["own mean"]),
                      arrowprops={"arrowstyle": "->", "color": QUIET, "linewidth": 0.8})  # fmt: skip
    axes.plot(data["patient"], data["truth"], "_", color=INK, markersize=11, label="truth")
    axes.plot(data["patient"], data["own mean"], "o", color=mark["own mean"].colour, label="own mean")
    axes.plot(data["patient"], data["pooled"], "^", color=mark["pooled"].colour, label="pooled")
    axes.axhline(CENTRE, color=QUIET, linestyle="--", linewidth=0.9)
    axes.set_ylim(CENTRE - 26, CENTRE + 30)
    axes.set_xticks(range(1, len(data) + 1))
    axes.set(xlabel="Patient", ylabel="Flexion, degrees")
    if legend:
        axes.legend(loc="upper center", fontsize=7)
