"""The kinds of home session: their names, and the short forms and spellings under which files have them."""

from __future__ import annotations

import re

import pandas as pd

EXERCISE = "exercise"
NMES = "neuromuscular electrical stimulation (NMES)"
TENS = "transcutaneous electrical nerve stimulation (TENS)"
#: Kinds of home session.
MODALITIES = (EXERCISE, NMES, TENS)

#: Names in cohort folders and maps of earlier versions of the kit.
EARLIER_NAMES = {"strength stimulation": NMES, "pain stimulation": TENS}
_SPELLINGS = {
    EXERCISE: r"(?:home |therapeutic )?exercis(?:es?|ing)(?: (?:program|programme|therapy))?",
    NMES: r"nmes|ems|e stim|(?:neuro ?muscular )?(?:electrical|electric|electro) ?(?:muscle |muscular )?stimulation(?: (?:nmes|ems))?|"
    r"neuro ?muscular (?:electrical |electric |electro ?)?stimulation(?: nmes)?|"
    r"(?:quadriceps|quad|muscle) (?:electrical |electro ?)?stim(?:ulation)?",
    TENS: r"tens|trans ?cutaneous (?:electrical |electric )?(?:nerve )?stimulation(?: tens)?",
}


def modality_of(label: str) -> str:
    """Give the modality that a label means in whatever spelling; the label itself where it means none.

    Examples
    --------
    >>> [modality_of(one) for one in ("NMES", "Neuro-muscular electrical stimulation", "Exercises", "walk")]
    ['neuromuscular electrical stimulation (NMES)', 'neuromuscular electrical stimulation (NMES)', 'exercise', 'walk']
    """
    words = re.sub(r"[\W_]+", " ", label.casefold()).strip()
    return EARLIER_NAMES.get(words) or next(
        (one for one, spelt in _SPELLINGS.items() if re.fullmatch(spelt, words)), label
    )


def with_current_names(sessions: pd.DataFrame) -> pd.DataFrame:
    """Put today's names in the place of those of earlier versions, as read from a cohort folder; the same table where there are none."""
    if "modality" not in sessions:
        return sessions
    labels = sessions["modality"]
    if isinstance(labels.dtype, pd.CategoricalDtype) and not labels.cat.categories.isin(list(EARLIER_NAMES)).any():
        return sessions
    labels = labels.astype("str")
    return (
        sessions.assign(modality=labels.replace(EARLIER_NAMES)) if labels.isin(list(EARLIER_NAMES)).any() else sessions
    )


def named_modalities(labels: pd.Series) -> pd.Series:
    """Put the name of its modality in the place of each label, as text."""
    names = {label: modality_of(str(label)) for label in labels.dropna().unique()}
    return labels.map(names, na_action="ignore").astype("str")
