"""States counted together under several assumptions about what is missing: those judged, all, and filled values."""

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from analysis.cohort.tables import Cohort
from analysis.errors import ModelError
from analysis.outcomes.endpoint import Endpoint
from analysis.outcomes.missing.completed_data import share_differences
from analysis.outcomes.missing.imputation import AT_RANDOM
from analysis.outcomes.missing.missing_analyses import (
    IMPUTED,
    OF_SHARES,
    MissingDataAnalyses,
    counted_shares,
    rows_of,
)
from analysis.outcomes.missing.states_model import fit_states
from analysis.outcomes.missing.weekly_model import check_draws
from analysis.outcomes.responders.states_together import TOGETHER, states_of
from analysis.progress import in_portions
from analysis.statistics.rubin import pool_shares


def missing_states_analyses(
    cohort: Cohort,
    endpoint: Endpoint,
    states: Sequence[str],
    *,
    draws: int = 200,
    seed: int = 1,
    tell: Callable[[int, int], None] | None = None,
) -> MissingDataAnalyses:
    """Compare the shares that reached several states together under several assumptions about missing values.

    Parameters
    ----------
    cohort : Cohort
        As :func:`analysis.outcomes.responders.states_together.with_states_together` gives it.
    endpoint : Endpoint
        ``states_together`` at a week after the start; its own rule for missing visits plays no part.
    states : sequence of str
        The states that were counted together in the cohort.
    draws, seed : int
        Completed data sets, and the seed.
    tell : callable, optional
        Told how many are done; without it progress is shown on a terminal after two seconds.

    Returns
    -------
    MissingDataAnalyses
        ``responders`` has those judged, all with the others counted as not reached, and multiple imputation under missing at
        random; ``differences`` (of means) is empty, as a state has none.

    Raises
    ------
    ModelError
        The endpoint is another one, there is one protocol only, or the joint model of the measures cannot be fitted.

    Notes
    -----
    Values are filled from the normal of :func:`analysis.outcomes.missing.states_model.fit_states`, every completed data set is
    judged by the same states, and shares are pooled by Rubin's rules as for one measure. Of a patient who was seen with a
    part not reached, the answer is the same in every data set.

    Examples
    --------
    >>> from analysis.outcomes import choose_endpoint, with_states_together
    >>> from synthetic_cohort import generate_cohort
    >>> states = ["pain 3", "ikdc 75"]
    >>> cohort = with_states_together(generate_cohort(patients=120, seed=1).observed, states)
    >>> endpoint = choose_endpoint(cohort, "states_together", week=26, criterion="state", threshold=1)
    >>> missing_states_analyses(cohort, endpoint, states, draws=20).responders["analysis"].unique().tolist()
    ['observed cases', 'missing counted as non-response', 'multiple imputation']
    """
    check_draws(draws)
    if endpoint.measure.name != TOGETHER:
        raise ModelError(
            "The endpoint counts no states together.",
            where=f"endpoint: {endpoint.words}",
            what_to_do=f"Choose the endpoint of the measure {TOGETHER}.",
        )
    made = fit_states(cohort, states_of(cohort, states, week=endpoint.week))
    model, base_name = made.model, endpoint.compared_with(cohort, made.model.patients["protocol"])
    endpoint = replace(endpoint, reference=base_name)
    base, count, protocol = model.protocols.index(base_name), len(model.protocols), model.protocol
    if count < 2:
        raise ModelError(
            "There is one protocol only, so there is nothing to compare.",
            where=f"protocol {base_name}",
            what_to_do="Give a cohort of two protocols or more.",
        )
    gaps, variances, shares = [], [], []
    filled = made.reached(draws, np.random.default_rng([seed, 0]))
    for begin, end in in_portions(draws, 10, f"Imputations of states, {AT_RANDOM}", tell):
        for _ in range(begin, end):
            estimate, variance, share = share_differences(next(filled), protocol, base, count)
            gaps.append(estimate)
            variances.append(variance)
            shares.append(share)
    size = np.bincount(protocol, minlength=count)
    df = float(max(len(protocol) - count, 1))
    table = pool_shares(gaps, variances, shares, size, base, df=df, level=endpoint.level)
    table = table.assign(method=OF_SHARES, protocol=[name for name in model.protocols if name != base_name])
    sizes = dict(zip(model.protocols, size.tolist(), strict=True))
    rows = [*counted_shares(cohort, endpoint), rows_of(table, base_name, IMPUTED, AT_RANDOM, sizes)]
    found = pd.concat(rows, ignore_index=True)
    notes = (
        "Observed cases: patients with a value of every part at the week.",
        *model.choices,
        f"Multiple imputation: missing at random given these values, {draws} completed data sets, each judged by the same states.",
        "Imputed values are normal: they are not rounded to a score's points and may lie beyond the ends of its scale.",
        "No value is filled as if under the reference: that is done of one measure alone.",
    )
    return MissingDataAnalyses(endpoint, base_name, draws, (), found.iloc[:0], found, notes=notes)
