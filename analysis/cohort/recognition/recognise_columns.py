"""Recognise what a column of an unknown file may hold, by its name and by what stands in it."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

import pandas as pd

from analysis.cohort.columns import read_numbers
from analysis.cohort.importing.map_file import WeekUnit
from analysis.cohort.recognition.find_identifiers import are_dates, name_rule, plain
from analysis.cohort.recognition.trade_words import shown_cell
from analysis.foreign_text import visible

Role = Literal["patient", "protocol", "covariate", "week", "date", "start", "measure", "home", "identifier", "unknown"]

#: Words in the name of a column, in lower case with underscores, that tell its role; the first that fits counts.
_PATIENT = (
    r"^(?:(?:patient|subject|participant|person|record|study|case)_?(?:id|no|nr|number|code|key)?|id|pid|rownames)$"
)
_PROTOCOL = (
    r"(?:^|_)(?:protocol|arm|treatment|treat|group|allocation|allocated|intervention|randomi[sz]ed(?:_to)?)(?:_|$)"
)
_START = r"(?:surgery|operation|operated|op|index|start|started|enrol\w*|injury|reconstruction|implant\w*|baseline)"
_LIMB = r"(?:^|_)(?:limb|leg|side_measured|measured_side|knee)$"
_COVARIATES = {
    "site": r"(?:^|_)(?:site|clinic|center|centre|hospital)(?:_(?:name|code))?$",
    "procedure": r"(?:^|_)(?:procedure|operation|surgery|surgery_type|diagnosis)$",
    "involved_side": r"(?:^|_)(?:involved|injured|operated|affected|index)_?(?:side|leg|limb|knee)$|^side$",
    "sex": r"^(?:sex|gender)$",
    "age_years": r"^age(?:_years?|_y|_at_\w+)?$",
    "body_mass_kg": r"(?:^|_)(?:body_?mass|weight|mass)(?:_?kg)?$",
    "height_cm": r"(?:^|_)height(?:_?cm)?$",
}
_TIMES: tuple[tuple[str, WeekUnit], ...] = (
    (r"(?:^|_)(?:week|weeks|wk|wks|study_week|visit_week)(?:_|$)", "weeks"),
    (r"(?:^|_)(?:day|days)(?:_|$)", "days"),
    (r"(?:^|_)(?:month|months|mo|mth)(?:_|$)", "months"),
    (r"(?:^|_)(?:year|years)(?:_|$)", "years"),
    (r"^(?:visit|visit_no|time|time_?point|occasion|wave)$", "weeks"),
)
_UNCERTAIN_TIMES = r"^(?:visit|visit_no|time|time_?point|occasion|wave)$"
_MEASURES: tuple[tuple[str, str], ...] = (
    (r"koos.*pain|^pain.*koos", "koos_pain"),
    (r"koos.*sym", "koos_symptoms"),
    (r"koos.*(?:adl|daily)", "koos_adl"),
    (r"koos.*sport", "koos_sport"),
    (r"koos.*(?:qol|quality)", "koos_quality_of_life"),
    (r"koos.*(?:pf|patellofemoral)", "koos_patellofemoral"),
    (r"ikdc", "ikdc"),
    (r"lysholm", "lysholm"),
    (r"lefs|lower_extremity_func", "lefs"),
    (r"oxford|(?:^|_)oks(?:_|$)", "oxford_knee_score"),
    (r"fjs|forgotten", "forgotten_joint_score"),
    (r"akps|kujala|anterior_knee_pain", "anterior_knee_pain_scale"),
    (r"kos_?adl|knee_outcome_survey", "knee_outcome_survey_adl"),
    (r"six_?min|6_?mwt|6_?min|walk", "six_minute_walk"),
    (r"hamstring|(?:^|_)ham(?:_|$)|knee_flexor", "hamstring_torque"),
    (r"quad|torque|mvic|extensor|strength", "quadriceps_torque"),
    (r"flexion|(?:^|_)flex(?:_|$)", "knee_flexion"),
    (r"extension|(?:^|_)ext(?:_|$)", "knee_extension"),
    (r"thigh.*(?:girth|circ)", "thigh_girth"),
    (r"knee.*(?:girth|circ)", "knee_girth"),
    (r"(?:^|_)(?:pain|vas|nrs)(?:_|$)", "pain"),
)
_UNINVOLVED = (
    r"(?:^|_)(?:uninvolved|uninjured|unaffected|contralateral|other|healthy|sound|non_?op\w*|non_?inv\w*|un)(?:_|$)"
)
_HOME = (
    r"modality|session|minutes|level_(?:knee|thigh)|pauses?|flexion_limit|extension_limit|locked|hinge|"
    r"^event$|adverse|serious|^related$"
)
_BASELINE = r"pre_?op|preop|pre|baseline|base|bl"
_UNITS: dict[str, WeekUnit] = {"d": "days", "w": "weeks", "m": "months", "y": "years"}
_TIME_PART = (
    rf"(?P<baseline>{_BASELINE})|"
    r"(?P<before>wk|week|weeks|w|mo|month|months|m|day|days|d|yr|year|years|y|t|v|visit)_?(?P<number>\d+(?:\.\d+)?)|"
    r"(?P<number2>\d+(?:\.\d+)?)_?(?P<after>wk|weeks?|w|mo|months?|m|days?|d|yr|years?|y)?"
)
_WIDE = (rf"^(?P<stem>.+?)_(?:{_TIME_PART})$", rf"^(?:{_TIME_PART})_(?P<stem>[a-z].+)$")
_FEW_LABELS = 12


@dataclass(frozen=True)
class Recognised:
    """What a column of a file may hold.

    ``target`` is the column of patients, the measure or the unit of time that it stands for, empty where there is none;
    ``limb`` involved, uninvolved, none or empty; ``sure`` says that name and content leave little doubt; the note is what is in
    doubt, or what the column holds.
    """

    name: str
    role: Role
    target: str = ""
    limb: str = ""
    sure: bool = True
    note: str = ""


@dataclass(frozen=True)
class WideColumn:
    """A column of a wide file: what it measures, and when; ``unit`` None where the name does not say."""

    name: str
    stem: str
    time: float
    unit: WeekUnit | None


def recognise(values: pd.Series, name: str) -> Recognised:
    """Say what a column may hold, by its cells of any type and by its name.

    Examples
    --------
    >>> recognise(pd.Series(["usual", "early"]), "Treatment Group").role
    'protocol'
    >>> recognise(pd.Series([1.5, 2.0]), "quad_torque_uninvolved").limb
    'uninvolved'
    """
    words = plain(name)
    number = _are_numbers(values)
    if re.search(_PATIENT, words):
        return Recognised(name, "patient", sure=words != "case")
    if _hold_dates(values) or (name_rule(name) is not None and "date" in words):
        start = re.search(rf"(?:^|_){_START}(?:_|$)", words) is not None
        return Recognised(name, "start" if start else "date", sure=start or "visit" in words or "test" in words)
    if (rule := name_rule(name)) is not None:
        return Recognised(name, "identifier", note=f"{rule.what}, {rule.paragraph}")
    for target, pattern in _COVARIATES.items():
        if re.search(pattern, words) and (number or target not in ("age_years", "body_mass_kg", "height_cm")):
            return Recognised(name, "covariate", target, sure=target != "procedure")
    if re.search(_PROTOCOL, words) and values.nunique() <= _FEW_LABELS:
        return Recognised(name, "protocol", sure=len(values.dropna().unique()) > 1)
    if re.search(_HOME, words):
        return Recognised(name, "home")
    if re.search(_LIMB, words) and not number:
        return Recognised(name, "unknown", "limb", sure=False, note="the limb measured?")
    if number:
        for pattern, unit in _TIMES:
            if re.search(pattern, words):
                return Recognised(name, "week", unit, sure=re.search(_UNCERTAIN_TIMES, words) is None)
        for pattern, measure in _MEASURES:
            if re.search(pattern, words):
                return Recognised(name, "measure", measure, limb_of(words), sure=_fits_surely(words, measure))
    return Recognised(name, "unknown", note=_describe(values, number=number))


def recognise_measure(stem: str) -> str | None:
    """Give the measure that a name means; None where none does.

    Examples
    --------
    >>> recognise_measure("KOOS_Pain"), recognise_measure("shoe_size")
    ('koos_pain', None)
    """
    words = plain(stem)
    return next((measure for pattern, measure in _MEASURES if re.search(pattern, words)), None)


def limb_of(words: str) -> str:
    """Give the limb that a name says: uninvolved where it says so, otherwise involved."""
    return "uninvolved" if re.search(_UNINVOLVED, plain(words)) else "involved"


def wide_column(name: str) -> WideColumn | None:
    """Take the name of a column apart into a measure and a time; None where there is no time in it.

    Examples
    --------
    >>> wide_column("koos_6w")
    WideColumn(name='koos_6w', stem='koos', time=6.0, unit='weeks')
    >>> wide_column("flexion.pre").time, wide_column("flexion") is None
    (0.0, True)
    """
    words = plain(name)
    for pattern in _WIDE:
        match = re.fullmatch(pattern, words)
        if match is None:
            continue
        if match["baseline"]:
            return WideColumn(name, match["stem"], 0.0, None)
        mark = match["before"] or match["after"] or ""
        return WideColumn(name, match["stem"], float(match["number"] or match["number2"]), _UNITS.get(mark[:1]))
    return None


def _fits_surely(words: str, measure: str) -> bool:
    if measure in ("quadriceps_torque", "hamstring_torque"):
        return "kg" in words
    return measure not in ("knee_flexion", "knee_extension", "pain", "koos_pain") or words in (measure, "flexion_deg")


def _are_numbers(values: pd.Series) -> bool:
    if pd.api.types.is_bool_dtype(values.dtype) or isinstance(values.dtype, pd.CategoricalDtype):
        return False
    known = values.dropna()
    if known.empty or pd.api.types.is_numeric_dtype(values.dtype):
        return pd.api.types.is_numeric_dtype(values.dtype)
    if pd.api.types.is_datetime64_any_dtype(values.dtype):
        return False
    return len(read_numbers(known)[1]) <= 0.05 * len(known)


def _hold_dates(values: pd.Series) -> bool:
    if pd.api.types.is_datetime64_any_dtype(values.dtype):
        return True
    known = values.dropna()
    if known.empty or pd.api.types.is_numeric_dtype(values.dtype):
        return False
    return bool(are_dates(known.astype("str")).mean() > 0.9)


def _describe(values: pd.Series, *, number: bool) -> str:
    known = values.dropna()
    if known.empty:
        return "empty"
    if number:
        numbers = read_numbers(known)[0].dropna()
        return f"numbers from {numbers.min():g} to {numbers.max():g}"
    distinct = known.astype("str").unique()
    if len(distinct) <= _FEW_LABELS:
        return "labels: " + visible(", ".join(map(shown_cell, distinct[:5]))) + ("..." if len(distinct) > 5 else "")
    return f"{len(distinct):,} different texts"
