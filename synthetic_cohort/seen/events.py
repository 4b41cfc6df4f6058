"""Events: harms and withdrawals, each with its week, whether it was serious, and whether it was related."""

from __future__ import annotations

import numpy as np
import pandas as pd

from synthetic_cohort.patients.patients import Patients
from synthetic_cohort.scenarios.scenario import Scenario
from synthetic_cohort.seen.missingness import REASONS, Missing
from synthetic_cohort.streams import stream

_WITHDRAWAL = "withdrawal"


def draw_events(scenario: Scenario, patients: Patients, missing: Missing, seed: int) -> pd.DataFrame:
    """Draw the events of every patient, and add the withdrawals. Events do not change the patient's curves.

    Columns patient (position), week (since the start, on a whole day; a withdrawal in whole weeks), event, serious, related;
    sorted by patient and week. They hold what happened after a patient was lost too.
    """
    names = [*dict.fromkeys(kind.event for kind in scenario.events), _WITHDRAWAL]
    frames = []
    for kind in scenario.events:
        draws = stream(seed, "events", kind.event, kind.modality).random((len(patients), 4))
        happens = draws[:, 0] < kind.share
        if kind.modality:
            modality = next(one for one in scenario.modalities if one.modality == kind.modality)
            happens &= np.isin(patients.protocol, [scenario.protocols.index(name) for name in modality.protocols])
        who = np.flatnonzero(happens)
        days = 7 * (kind.last_week - kind.first_week + 1)
        weeks = (7 * (kind.first_week - 1) + np.floor(draws[who, 1] * days)) / 7
        serious, related = draws[who, 2] < kind.serious_share, draws[who, 3] < kind.related_share
        frames.append(_frame(who, weeks, names.index(kind.event), names, serious, related))
    who = np.flatnonzero(missing.lost_reason == REASONS.index("withdrew"))
    none = np.zeros(len(who), dtype=bool)
    frames.append(_frame(who, np.floor(missing.lost_week[who]), len(names) - 1, names, none, none))
    return pd.concat(frames, ignore_index=True).sort_values(["patient", "week"], kind="stable", ignore_index=True)


def _frame(
    who: np.ndarray, weeks: np.ndarray, code: int, names: list[str], serious: np.ndarray, related: np.ndarray
) -> pd.DataFrame:
    event = pd.Categorical.from_codes(np.full(len(who), code), categories=pd.Index(names, dtype="str"))
    return pd.DataFrame({"patient": who, "week": weeks, "event": event, "serious": serious, "related": related})
