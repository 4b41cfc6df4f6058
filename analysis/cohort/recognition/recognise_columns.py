"""Recognise what a column of an unknown file may hold, by its name and by what stands in it."""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from typing import Literal

import pandas as pd

from analysis.cohort.columns import read_numbers
from analysis.cohort.recognition.find_identifiers import are_dates, name_rule
from analysis.cohort.recognition.header_words import (
    SIDE_LETTERS,
    HeaderWords,
    TimeUnit,
    header_words,
    limb_of_label,
    measure_of,
    side_of,
)
from analysis.cohort.recognition.measured_cells import measured_cells
from analysis.cohort.recognition.trade_words import shown_cell, words_of
from analysis.cohort.recognition.visit_times import visit_time
from analysis.foreign_text import visible

Role = Literal[
    "patient", "protocol", "covariate", "week", "visit", "date", "start", "measure", "parameter", "limb", "change", "home",
    "identifier", "unknown",
]  # fmt: skip

#: Words in the name of a column, in lower case with underscores, that tell its role; the first that fits counts. English,
#: German, French, Spanish; the commonest of Dutch, Italian and Portuguese.
_PATIENT = (
    r"^(?:demographics?_)?(?:n_(?:o_)?(?:de_)?|no_|numero_(?:de_)?|(?:code|codigo|codice)_(?:de_|do_|del_)?|identifiant_)?"
    r"(?:patient(?:en|in)?|paciente|paziente|historia|registry|client|pat|subject|subj|participant|person|record|study|studien|case|proband)"
    r"(?:_?(?:id|no|nr|num|number|code|key|nummer|kennung|ref))?$|^id(?:_paciente|_patient)?$|^(?:pid|sid|rownames|fallnummer|u?subj_?id)$"
)
_PROTOCOL = (
    r"^rehab(?:ilitation)?$|(?:^|_)(?:protocol|program|programme|cohort|regimen|pathway|[a-z]*arm|trt|tx|treatment|treat|(?<!age_)(?:rand|treatment|study|trial)?gr(?:ou)?p|allocation|allocated|intervention|randomi[sz]ed(?:_to)?|[a-z]*gruppe|[a-z]*groep|gruppo|behandlung|"
    r"groupe|bras|traitement|grupo|brazo|braccio|tratamiento)(?:_\d+_p|_\d+_a)?(?:_|$)"
)
_START = (
    r"(?:surgery|operation|operated|op|index|start|started|enrol[a-z]*|injury|reconstruction|implant[a-z]*|baseline|random[a-z]*|"
    r"eingriff|cirugia|operacion|chirurgie|beginn)"
)
_OF_A_VISIT = r"visit|test|assessment|exam|untersuchung|besuch|visita|consult|seen|messung"
_BIRTH = r"(?:^|_)(?:dob|birth|geburt[a-z]*|naissance|nacimiento)(?:_|$)"
_LIMB = r"(?:^|_)(?:limb|leg|side_measured|measured_side|side_tested|tested_side|knee|bein|jambe|pierna)(?:_(?:tested|measured))?$"
_OPERATED = r"involved|injured|operated|affected|index|op|surg[a-z]*|operiert[a-z]*|oper[ea][a-z]*"
_OF_A_SIDE = (
    r"side|leg|limb|knee|seite|bein|knie|cote|genou|jambe|lado|rodilla|pierna|lato|ginocchio|gamba|joelho|zijde"
)
_COVARIATES = {
    "site": r"(?:^|(?<!_in)_)(?:site|clinic|center|centre|hospital|klinik|zentrum)(?:_(?:name|code))?$",
    "involved_side": rf"(?:^|_)(?:{_OPERATED})_(?:{_OF_A_SIDE})$|^(?:{_OF_A_SIDE})_(?:{_OPERATED})$|^(?:side|seite|cote|lado|lato|zijde)$",
    "sex": r"(?:^|_)(?:sex|gender|geschlecht|sexe|sexo|sesso|geslacht)$",
    "age_years": r"^(?:patient_|demographics?_)?(?:age|alter|edad|idade|eta|leeftijd)(?:_years?|_y|_at_[a-z]+|_jahre|_ans|_anos|_anni|_jaar)?$",
    "body_mass_kg": r"(?:^|_)(?:body_?mass|weight|mass|gewicht|poids|peso)(?:_?kg)?$",
    "height_cm": r"(?:^|_)(?:height|korpergrosse|taille|talla)(?:_?cm)?$",
    "procedure": r"(?:^|_)(?:procedure|operation|surgery|surgery_type|diagnosis)$",
}
#: Covariates that are measured, and so may change from visit to visit.
MEASURED_AT_VISITS = ("age_years", "body_mass_kg", "height_cm")
_TIME_UNITS: dict[TimeUnit, str] = {
    "weeks": r"weeks?|wks?|wochen?|semaines?|semanas?|weken|settiman[ae]", "days": r"days?|tage?|jours?|dias?|dag(?:en)?|giorn[oi]|pod",
    "months": r"months?|mo|mth|monate?|mois|mes(?:es)?|maand(?:en)?|mes[ei]", "years": r"years?|jahre?|annees?|anos?",
}  # fmt: skip
#: Words that may stand beside the unit of a time.
_BESIDE_TIME = frozenset({
    "visit", "no", "nr", "number", "num", "study", "time", "in", "follow", "up", "fu", "der", "de", "la", "l", "elapsed", "test",
})  # fmt: skip
#: When the time begins, and the words without which these say something else (week of surgery).
_STARTS = frozenset({"surgery", "operation", "op", "start", "baseline", "randomisation", "randomization",
                     "operatie", "intervento", "cirurgia"})  # fmt: skip
_SINCE = frozenset(
    {"since", "after", "post", "postop", "from", "nach", "seit", "apres", "despues", "na", "dopo", "apos"}
)
#: Words that may stand beside that of a protocol.
_BESIDE_PROTOCOL = frozenset(
    {
        "study",
        "patient",
        "rand",
        "rx",
        "assigned",
        "actual",
        "planned",
        "trial",
        "rehab",
        "name",
        "code",
        "de",
        "du",
        "of",
        "to",
        "p",
        "a",
        "01",
        "1",
    }
)
_UNCERTAIN_TIMES = r"^(?:a?visit_?n?|(?:visit|visite|visita)_?(?:no|nr|num|number)|time|time_?point|occasion|wave)$"
_VISITS = r"(?:^|_)(?:a?visit|visite|visita|time_?point|zeitpunkt|event|follow_up|occasion|termin)(?:_(?:name|label))?$"
_HOME = (
    r"modality|session|minutes|level_(?:knee|thigh)|pauses?|flexion_limit|extension_limit|locked|hinge|"
    r"^event$|adverse|serious|^related$"
)
_FEW_LABELS, _MOST_VISITS = 12, 40


@dataclass(frozen=True)
class Recognised:
    """What a column of a file may hold.

    ``target`` is the column of patients, the measure or the unit of time that it stands for, empty where there is none;
    ``limb`` involved, uninvolved, none or empty; ``sure`` says that name and content leave little doubt; the note is what is in
    doubt, or what the column holds; ``header`` what the words of the name say.
    """

    name: str
    role: Role
    target: str = ""
    limb: str = ""
    sure: bool = True
    note: str = ""
    header: HeaderWords = field(default_factory=lambda: HeaderWords("", ""))


def recognise(values: pd.Series, name: str) -> Recognised:
    """Say what a column may hold, by its cells of any type and by its name.

    Examples
    --------
    >>> recognise(pd.Series(["usual", "early"]), "Treatment Group").role
    'protocol'
    >>> recognise(pd.Series([1.5, 2.0]), "quad_torque_uninvolved").limb
    'uninvolved'
    """
    return replace(_recognise(values, name), header=header_words(name))


def _recognise(values: pd.Series, name: str) -> Recognised:
    words = "_".join(words_of(name))
    number = hold_numbers(values)
    if re.search(_PATIENT, words):
        return Recognised(name, "patient", sure=words != "case")
    rule = name_rule(name)
    if re.search(_BIRTH, words):
        return Recognised(name, "identifier", note="a date of birth, (C) dates")
    if _hold_dates(values) or (rule is not None and "date" in words and not number):
        start = re.search(rf"(?:^|_){_START}(?:_|$)", words) is not None and re.search(_OF_A_VISIT, words) is None
        return Recognised(name, "start" if start else "date", sure=start or re.search(_OF_A_VISIT, words) is not None)
    if rule is not None:
        return Recognised(name, "identifier", note=f"{rule.what}, {rule.paragraph}")
    labels = [] if number else [str(label) for label in values.dropna().unique()[: _MOST_VISITS + 1]]
    for target, pattern in _COVARIATES.items():
        if re.search(pattern, words) and (
            number if target in MEASURED_AT_VISITS else not number or target != "procedure"
        ):
            return Recognised(name, "covariate", target, sure=_covariate_surely(target, words, labels))
    few = 0 < len(labels) <= _MOST_VISITS
    if few and re.search(_VISITS, words) and not re.search(_PROTOCOL, words):
        return Recognised(name, "visit", sure=all(visit_time(label) is not None for label in labels))
    if few and sum(measure_of(label) is not None for label in labels) > len(labels) / 2:
        return Recognised(name, "parameter")
    if re.search(_PROTOCOL, words) and values.nunique() <= _FEW_LABELS:
        beside = set(words.split("_")) - _BESIDE_PROTOCOL
        sure = len(values.dropna().unique()) > 1 and all(re.fullmatch(_PROTOCOL, word) for word in beside)
        return Recognised(name, "protocol", sure=sure)
    if re.search(_HOME, words):
        return Recognised(name, "home")
    if few and re.search(_LIMB, words):
        return Recognised(name, "limb", sure=all(limb_of_label(label) is not None for label in labels))
    header = header_words(name)
    if header.change:
        return Recognised(name, "change", note="a change; it is computed from the visits")
    if number and header.measure is None:
        unit = _time_unit(words)
        if unit is not None or re.search(_UNCERTAIN_TIMES, words):
            return Recognised(name, "week", unit or "weeks", sure=unit is not None)
    if number and header.measure is not None:
        return Recognised(name, "measure", header.measure, header.limb, sure=fits_surely(header))
    return Recognised(name, "unknown", note=described(values, number=number))


def settle_sides(found: dict[str, Recognised]) -> dict[str, Recognised]:
    """Take a single letter for a side of the body where another column differs by the letter of the other side only."""
    found = _settle_twelfths(found)
    by_stem: dict[tuple[object, ...], dict[str, str]] = {}
    for one in found.values():
        by_stem.setdefault((one.header.stem, one.header.time, one.header.unit), {})[one.header.letter] = one.name
    answer = {}
    for name, one in found.items():
        header = one.header
        side, partners = SIDE_LETTERS.get(header.letter, ("", ()))
        there = by_stem[header.stem, header.time, header.unit]
        if header.letter and any(partner in there for partner in partners):
            header = replace(header, limb=side, letter="")
            one = replace(one, limb=side if one.role == "measure" else one.limb)
        elif header.letter:
            header = replace(header, rest=(*header.rest, header.letter))
            one = replace(one, sure=one.sure and one.role != "measure")
        answer[name] = replace(one, header=header)
    return answer


def _settle_twelfths(found: dict[str, Recognised]) -> dict[str, Recognised]:
    """Take 3/12 for three months where other columns have weeks as 6/52."""
    if not any(re.search(r"\d/52\b", name) for name in found):
        return found
    answer = dict(found)
    for name, one in found.items():
        if re.search(r"\d/12\b", name):
            header = replace(header_words(re.sub(r"(\d+)/12\b", r"\1 months", name)), name=name)
            answer[name] = replace(one, header=header, sure=one.role != "measure" or fits_surely(header))
    return answer


def _time_unit(words: str) -> TimeUnit | None:
    """Give the unit of time that a name is made of, with nothing beside it but words such as study or post-op."""
    there = set(words.split("_"))
    if there & _STARTS and not there & _SINCE:
        return None
    rest = [word for word in words.split("_") if word not in _BESIDE_TIME | _STARTS | _SINCE]
    return next(
        (unit for unit, pattern in _TIME_UNITS.items() if len(rest) == 1 and re.fullmatch(pattern, rest[0])), None
    )


def _covariate_surely(target: str, words: str, labels: list[str]) -> bool:
    if target == "site" and not labels:  # numbers: codes of sites, or days in hospital
        return re.fullmatch(_COVARIATES[target], words) is not None
    if target == "involved_side":
        return bool(labels) and all(side_of(label) is not None or label.casefold() == "both" for label in labels)
    if target == "age_years":  # the age at an injury years ago is another one
        return (
            re.search(r"_at_(?!surg|op|enrol|incl|consent|basel|random|start|study|entry|first|visit)", words) is None
        )
    return target != "procedure"


def fits_surely(header: HeaderWords) -> bool:
    """Say whether a name leaves little doubt about its measure: nothing else stands in it, and torque has its unit."""
    if header.measure in ("quadriceps_torque", "hamstring_torque"):
        return not header.rest and re.search(r"n_?m_?kg", "_".join(words_of(header.name))) is not None
    if header.measure == "six_minute_walk":
        return not header.rest and re.search(r"6|six", header.name, re.IGNORECASE) is not None
    return not header.rest


def hold_numbers(values: pd.Series) -> bool:
    """Say whether nearly all cells are numbers, limits such as <20 too."""
    if pd.api.types.is_bool_dtype(values.dtype) or isinstance(values.dtype, pd.CategoricalDtype):
        return False
    known = values.dropna()
    if known.empty or pd.api.types.is_numeric_dtype(values.dtype):
        return pd.api.types.is_numeric_dtype(values.dtype)
    if pd.api.types.is_datetime64_any_dtype(values.dtype):
        return False
    known = measured_cells(known).cells.dropna()
    return not known.empty and len(read_numbers(known)[1]) <= 0.05 * len(known)


def _hold_dates(values: pd.Series) -> bool:
    if pd.api.types.is_datetime64_any_dtype(values.dtype):
        return True
    known = values.dropna()
    if known.empty or pd.api.types.is_numeric_dtype(values.dtype):
        return False
    return bool(are_dates(known.astype("str")).mean() > 0.9)


def described(values: pd.Series, *, number: bool) -> str:
    """Say what stands in a column: a range, labels as they may be shown, or how many texts."""
    known = values.dropna()
    if known.empty:
        return "empty"
    if number:
        numbers = read_numbers(measured_cells(known).cells)[0].dropna()
        return f"numbers from {numbers.min():g} to {numbers.max():g}"
    distinct = known.astype("str").unique()
    if len(distinct) <= _FEW_LABELS:
        return (
            "labels: "
            + visible(", ".join(shown_cell(one, 3) for one in distinct[:5]))
            + ("..." if len(distinct) > 5 else "")
        )
    return f"{len(distinct):,} different texts"
