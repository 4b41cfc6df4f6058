"""Invented patients in groups that were not drawn by lot."""

import numpy as np

from analysis.statistics.weighting.multinomial_scores import fit_group_scores, group_chances
from analysis.statistics.weighting.outcome_rows import least_squares_rows


def invented(n, groups, seed, columns=2):
    """Give covariates, the group of each patient, and an outcome that goes with both."""
    rng = np.random.default_rng(seed)
    covariates = rng.normal(size=(n, columns))
    slopes = np.vstack([np.linspace(-0.5, 0.5, groups - 1) + 0.3 * k for k in range(columns)])
    chances = group_chances(covariates @ slopes)
    codes = (rng.uniform(size=(n, 1)) > chances.cumsum(axis=1)).sum(axis=1)
    outcome = covariates.sum(axis=1) + 0.4 * codes + rng.normal(size=n)
    return covariates, np.minimum(codes, groups - 1), outcome


def models(covariates, codes, outcome, groups):
    """Fit scores and least squares with common slopes."""
    scores = fit_group_scores(covariates, codes, groups)
    design = scores.design[:, 1:]

    def rows(member):
        return np.column_stack([member, design])

    ones = np.ones((len(codes), 1))
    under = np.stack([rows(ones * np.eye(groups)[k]) for k in range(groups)])
    return scores, least_squares_rows(outcome, rows(np.eye(groups)[codes]), under)
