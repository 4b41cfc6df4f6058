"""Means of groups in a target, by weights, by the model or by both, with sandwich and jackknife errors."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from analysis.statistics.weighting.leave_one_out import in_blocks, jackknife_covariance, steps_without
from analysis.statistics.weighting.multinomial_scores import GroupScores, group_chances
from analysis.statistics.weighting.outcome_rows import OutcomeRows
from analysis.statistics.weighting.tilting import Target, slopes_of_logs, tilt, weights_of

Floats = NDArray[np.float64]
Way = Literal["aipw", "weights", "model"]


@dataclass(frozen=True, eq=False)
class TiltedMeans:
    """The mean of each group at each week, had the patients of the target been in it.

    The mean over the target of what the model expects, and the weighted mean, within the group, of what the outcome differs from
    that (augmented inverse probability weighting in the form of Hajek); the first alone is "model", the second alone, of
    the outcomes themselves, "weights".

    Parameters
    ----------
    scores : GroupScores
        Who was in which group.
    outcome : OutcomeRows
        The model of the outcome.
    target : str or int
        As of :func:`analysis.statistics.weighting.tilting.tilt`.
    way : "aipw", "weights" or "model"
        Which parts are taken.
    """

    scores: GroupScores
    outcome: OutcomeRows
    target: Target | int
    way: Way

    @property
    def shape(self) -> tuple[int, int]:
        """Weeks and groups."""
        return self.outcome.under.shape[0], self.outcome.under.shape[1]

    @cached_property
    def estimate(self) -> Floats:
        """The means, shape (weeks, groups)."""
        return self._means(self.scores.chances[:, None, :], self.outcome.coefficients[None, :], None)[0]

    def _means(self, chances: Floats, coefficients: Floats, left_out: slice | None) -> Floats:
        """Give the means, shape (versions, weeks, groups), from versions of the scores and coefficients.

        Parameters
        ----------
        chances : ndarray, shape (patients, versions, groups)
            The scores.
        coefficients : ndarray, shape (versions, columns)
            Of the outcome model.
        left_out : slice or None
            The patient whom each version leaves out.
        """
        amount = tilt(chances, self.target)
        weight = weights_of(amount, chances, self.scores.codes)
        versions = coefficients.shape[0]
        if left_out is not None:
            own = np.arange(left_out.start, left_out.stop), np.arange(versions)
            amount[own] = weight[own] = 0.0
        weeks, groups = self.shape
        found = np.zeros((versions, weeks, groups))
        total = amount.sum(axis=0)
        for group in range(groups):
            mine = np.flatnonzero(self.scores.codes == group)
            share = weight[mine] / weight[mine].sum(axis=0)
            for week in range(weeks):
                under = self.outcome.under[week, group]
                slope = self.outcome.slope[week, mine]
                if self.way != "weights":
                    found[:, week, group] = np.einsum("ji,ji->i", amount, under @ coefficients.T) / total
                    slope = slope - under[mine]
                if self.way != "model":
                    rest = slope @ coefficients.T + self.outcome.filled[week, mine, None]
                    found[:, week, group] += np.einsum("ji,ji->i", share, rest)
        return found

    def influence(self, *, known_scores: bool = False) -> Floats:
        """Give each patient's part in the error of each mean, shape (patients, weeks, groups).

        The estimating equations of the scores, of the coefficients (the covariance of the visits held) and of the means are
        stacked; ``known_scores`` takes the scores as given, as a survey's weights are.
        """
        chances, codes, b = self.scores.chances, self.scores.codes, self.outcome.coefficients
        amount = tilt(chances, self.target)
        weight = weights_of(amount, chances, codes)
        of_tilt, of_weight = slopes_of_logs(chances, self.target, codes)
        from_scores = self.scores.parts @ self.scores.inverse
        from_outcome = self.outcome.parts @ self.outcome.inverse
        design = self.scores.design
        weeks, groups = self.shape
        found = np.zeros((len(chances), weeks, groups))
        for week in range(weeks):
            outcome = self.outcome.filled[week] + self.outcome.slope[week] @ b
            for group in range(groups):
                under = self.outcome.under[week, group]
                expected = under @ b if self.way != "weights" else np.zeros(len(chances))
                by_logit, by_coefficient = np.zeros_like(of_tilt), np.zeros_like(b)
                own = np.zeros(len(chances))
                if self.way != "weights":
                    share = amount / amount.sum()
                    own += share * (expected - share @ expected)
                    by_logit += (share * (expected - share @ expected))[:, None] * of_tilt
                    by_coefficient += share @ under
                if self.way != "model":
                    mine = np.where(codes == group, weight, 0.0)
                    share = mine / mine.sum()
                    rest = outcome - expected
                    own += share * (rest - share @ rest)
                    by_logit += (share * (rest - share @ rest))[:, None] * of_weight
                    by_coefficient += share @ self.outcome.slope[week]
                    by_coefficient -= share @ under if self.way != "weights" else 0.0
                found[:, week, group] = own + from_outcome @ by_coefficient
                if not known_scores:
                    found[:, week, group] += from_scores @ (design.T @ by_logit).ravel()
        return found

    def sandwich(self, *, known_scores: bool = False) -> Floats:
        """Give the sandwich covariance of the means, shape (weeks * groups, weeks * groups)."""
        each = self.influence(known_scores=known_scores).reshape(len(self.scores.codes), -1)
        return np.asarray(each.T @ each)

    def replicates(self) -> Floats:
        """Give the means without each patient, shape (patients, weeks, groups).

        Scores by one Newton step, coefficients of the outcome with the covariance of the visits held.

        Raises
        ------
        NotToldWithoutError
            Without some patients a coefficient cannot be estimated.
        """
        scores, patients = self.scores, len(self.scores.codes)
        steps = steps_without(scores.inverse, scores.rows, scores.spreads, scores.surprises)
        each = scores.coefficients + steps.reshape(patients, *scores.coefficients.shape)
        coefficients = self.outcome.without_each() if self.way != "weights" else self._held(patients)

        def of(part: slice) -> Floats:
            logits = np.tensordot(scores.design, each[part], axes=(1, 1))
            return self._means(group_chances(logits), coefficients[part], part)

        return in_blocks(patients, patients * scores.groups, of)

    def _held(self, patients: int) -> Floats:
        return np.broadcast_to(self.outcome.coefficients, (patients, len(self.outcome.coefficients)))

    def jackknife(self) -> Floats:
        """Give the jackknife covariance of the means, shape (weeks * groups, weeks * groups); errors as of :meth:`replicates`."""
        return jackknife_covariance(self.replicates().reshape(len(self.scores.codes), -1))
