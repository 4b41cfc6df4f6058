"""Fit one mean with several covariances in turn, and take the first that converges and has intervals."""

from __future__ import annotations

from collections.abc import Iterable

import pandas as pd

from analysis.curves.covariances.residual_structures import Residual
from analysis.curves.engine.small_sample import Inference
from analysis.curves.mixed_model import MixedModel, fit_mixed
from analysis.curves.rows.moments import VisitMoments
from analysis.errors import ModelError


def fit_first_that_converges(
    rows: pd.DataFrame | VisitMoments,
    fixed: str,
    candidates: Iterable[tuple[str | None, Residual, str]],
    *,
    inference: Inference = "kenward-roger",
    failure: str,
    what_to_do: str,
) -> tuple[MixedModel, str, list[str]]:
    """Fit the covariances in turn, as (patient effects, residual, what the pair is called), the preferred one first.

    The rows, or moments of them, have patient_id, week, value and what the formula names; ``failure`` and ``what_to_do`` are said where none
    converges. Given are the fit, what its covariance is called, and a sentence for each one tried before.

    Raises
    ------
    ModelError
        None can be fitted and converges.

    Examples
    --------
    >>> import pandas as pd
    >>> rows = pd.DataFrame({"patient_id": list("aabbcc"), "week": [0, 4] * 3, "value": [1.0, 2, 2, 4, 3, 4]})
    >>> said = {"failure": "No fit.", "what_to_do": "Look at the visits."}
    >>> fit_first_that_converges(rows, "value ~ week", [("1", "independent", "a level for each patient")], **said)[1]
    'a level for each patient'
    """
    tried: list[str] = []
    last: ModelError | None = None
    for effects, residual, name in candidates:
        try:
            fit = fit_mixed(rows, fixed, patient_effects=effects, residual=residual, inference=inference)
        except ModelError as error:
            tried.append(f"Tried {name}: {error.what}")
            last = error
            continue
        if fit.converged and fit.record.intervals:
            return fit, name, tried
        tried.append(f"Tried {name}: {'no intervals could be computed' if fit.converged else 'did not converge'}.")
    raise ModelError(failure, where="; ".join(tried), what_to_do=what_to_do) from last
