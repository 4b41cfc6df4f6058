"""Take the name of a column apart: what is measured, on which limb, when, in which unit; in seven languages.

English, German, French and Spanish; the commonest words of Dutch, Italian and Portuguese. All words: common practice, no
source; own selection.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from analysis.cohort.recognition.trade_words import words_of

TimeUnit = Literal["days", "weeks", "months", "years"]

_LONG_UNITS: dict[str, TimeUnit] = {
    **dict.fromkeys(("day", "days", "tag", "tage", "tagen", "jour", "jours", "dia", "dias", "pod", "dag", "dagen", "giorno",
                     "giorni"), "days"),
    **dict.fromkeys(("wk", "wks", "week", "weeks", "woche", "wochen", "semaine", "semaines", "sem", "semana", "semanas", "weken",
                     "settimana", "settimane"), "weeks"),
    **dict.fromkeys(
        ("mo", "mos", "mth", "mths", "month", "months", "monat", "monate", "monaten", "mois", "mes", "meses", "maand",
         "maanden", "mese", "mesi"), "months"
    ),
    **dict.fromkeys(("yr", "yrs", "year", "years", "jahr", "jahre", "jahren", "an", "ans", "ano", "anos", "jaar", "anno", "anni"), "years"),
}  # fmt: skip
_SHORT_UNITS: dict[str, TimeUnit] = {"d": "days", "w": "weeks", "m": "months", "y": "years"}
_BASELINE = (
    r"pre_?op[a-z]*|pre_?surg[a-z]*|pra_?op[a-z]*|vor_op|pre|baseline|base|bl|screening_baseline|ausgangswert|initiale?|basal|inicial|"
    r"iniziale|uitgangswaarde"
)
_AFTER = r"(?:post|nach|apres|after|despues|seit|since|na|dopo|depois|apos)(?:_(?:de|la|der|l))*(?:_?(?:op[a-z]*|surg[a-z]*))?|p_?o"
_NUMBERED = r"t|v|visit|visite|visita|tp|timepoint|fu|follow_up"
_TIMES = (
    rf"(?P<number>\d+)_(?P<unit>{'|'.join(_LONG_UNITS)})",
    rf"(?P<unit>{'|'.join(_LONG_UNITS)})_(?P<number>\d+)",
    r"(?P<number>\d+)_(?P<unit>[dwmy])",
    r"(?P<unit>[dwmy])_(?P<number>\d+)",
    rf"(?P<baseline>{_BASELINE})",
    rf"(?:{_NUMBERED})_(?P<number>\d+)",
)
#: A number with a minus.
BEFORE_START = r"(?:^|[\s(])[-\u2212]\d"
_BARE_NUMBER = (r"_(?P<number>\d+)_$", r"^_(?P<number>\d+)_")

_UNINVOLVED = (
    r"uninv[a-z]*|uninjured|unaffected|uninj|contra[a-z]*|other|healthy|sound|non_?op[a-z]*|non_?inv[a-z]*|non_?surg[a-z]*|un|unop[a-z]*|gesund[a-z]*|"
    r"gegenseite|nicht_op[a-z]*|sain[a-z]*|non_opere[a-z]*|san[oa]s?|no_op[a-z]*|good_(?:leg|limb|knee|side)|gezond[a-z]*"
)
_INVOLVED = (
    r"involved|inv|injured|inj|affected|operated|operative|op|surgical|index|ipsi[a-z]*|operiert[a-z]*|betroffen[a-z]*|oper[ea][a-z]*|"
    r"afectad[a-z]*|lese|bad_(?:leg|limb|knee|side)|geopereerd[a-z]*"
)
_SIDES = {
    "right": r"right|rt|rechts|recht[a-z]*|droite?|derech[oa]|der",
    "left": r"left|lt|links|link[a-z]*|gauche|izquierd[oa]|izq",
}
#: Letters that may stand for a side, with those of the other one.
SIDE_LETTERS = {
    "r": ("right", ("l",)), "l": ("left", ("r", "d")), "d": ("right", ("g", "i", "l")), "g": ("left", ("d",)), "i": ("left", ("d",)),
    "re": ("right", ("li",)), "li": ("left", ("re",)), "dx": ("right", ("sx",)), "sx": ("left", ("dx",)),
}  # fmt: skip
_THIGH, _GIRTH = r"(?:thigh|oberschenkel|cuisse|muslo|dijbeen|coscia|coxa)", r"(?:girth|circ|umfang|omvang|peri)"
_MEASURES: tuple[tuple[str, str], ...] = (
    (r"koos.*(?:pain|schmerz|douleur|dolor)|pain.*koos", "koos_pain"),
    (r"koos.*sym", "koos_symptoms"),
    (r"koos.*(?:adl|daily|alltag)", "koos_adl"),
    (r"koos.*(?:sport|deporte)", "koos_sport"),
    (r"koos.*(?:qol|quality|lebensqual[a-z]*)", "koos_quality_of_life"),
    (r"koos.*(?:pf|patellofemoral)", "koos_patellofemoral"),
    (r"ikdc", "ikdc"),
    (r"lysholm", "lysholm"),
    (r"lefs|lower_extremity_func", "lefs"),
    (r"oxford|(?:^|_)oks(?:_|$)", "oxford_knee_score"),
    (r"fjs|forgotten", "forgotten_joint_score"),
    (r"akps|kujala|anterior_knee_pain", "anterior_knee_pain_scale"),
    (r"kos_?adl|knee_outcome_survey", "knee_outcome_survey_adl"),
    (r"six_?min|6_?mw[a-z]*|6_?min|walk", "six_minute_walk"),
    (r"hamstring|(?:^|_)ham(?:_|$)|knee_flexor|flex.*(?:torque|strength|force)|(?:torque|strength|force).*flex", "hamstring_torque"),
    (r"knee_ext[a-z]*_(?:.*_)?(?:torque|strength|force)|quad|cuadriceps|quadrici|torque|drehmoment|mvic|extensor|strength", "quadriceps_torque"),
    (r"flexion|(?:^|_)flex(?:_|$)|beugung|buiging|flessione|flexao", "knee_flexion"),
    (r"extension|(?:^|_)ext(?:_|$)|streckung|strekking|estensione|extensao", "knee_extension"),
    (rf"{_THIGH}.*{_GIRTH}|{_GIRTH}[a-z]*_(?:[a-z]+_)?{_THIGH}", "thigh_girth"),
    (r"knee.*(?:girth|circ)|knieumfang", "knee_girth"),
    (r"(?:^|_)(?:pain|vas|nrs|nprs|schmerz[a-z]*|douleur|eva|dolor|pijn|dolore|dor)(?:_|$)", "pain"),
)  # fmt: skip
#: Words with which a name says another thing than the measure in it: another joint, what is taken, aimed at or thought of it.
_NOT_OF_THE_KNEE = (
    r"(?:^|_)(?:hip|hoos|shoulder|ankle|elbow|wrist|spine|neck|hufte|schulter|hanche|cadera|medication|medications|meds|"
    r"satisfaction|zufriedenheit|goal|target)(?:_|$)"
)
_CHANGE = r"change|chg|pchg|delta|diff[a-z]*|gain|improvement|veranderung|changement|cambio"
#: Words that may stand beside a measure without making another one of it.
_BESIDE = frozenset({
    "a", "actif", "activa", "active", "activity", "actual", "actuel", "aktiv", "aktuell",
    "ativa", "arom", "assessment", "at", "average", "by", "cm", "cuadriceps",
    "current", "de", "deg", "degrees", "degres", "der", "des", "drehmoment", "du", "eva", "follow", "force", "from", "fu",
    "forca", "forza", "fuerza", "gait", "genou", "girth", "grad",
    "graden", "gradi", "grados", "graus", "h", "in", "initial", "intensity", "jetzt", "isokinetic", "isometric", "kg",
    "knee", "knees", "knie", "kraft", "la", "leg", "limb", "m", "max", "maximal", "maximum", "mean", "mm", "motion", "n", "nm", "nmkg", "now",
    "nrs", "of", "passive", "peak", "points", "prom", "quad", "quadriceps", "quadrizeps", "range", "repos", "reposo", "rest",
    "review", "rodilla", "rom", "ruhe", "scale", "score", "strength", "sum", "test", "to", "today", "torque", "total", "up", "usual",
    "value", "vas", "visit", "walk", "worst",
})  # fmt: skip


@dataclass(frozen=True)
class HeaderWords:
    """What the words of the name of a column say.

    ``limb`` is involved, uninvolved, right, left or empty; ``letter`` may stand for a side, if another column has the one of
    the other side; ``time`` and ``unit`` say when (unit None: a number alone, or of a visit; a baseline is 0 without unit);
    ``stem`` is the name without time and limb; ``rest`` the words that nothing explains.
    """

    name: str
    stem: str
    measure: str | None = None
    limb: str = ""
    letter: str = ""
    time: float | None = None
    unit: TimeUnit | None = None
    baseline: bool = False
    change: bool = False
    rest: tuple[str, ...] = ()


def header_words(name: str) -> HeaderWords:
    """Take a name apart.

    Examples
    --------
    >>> found = header_words("Quad non-op (Nm) 6 weeks post-op")
    >>> found.measure, found.limb, found.time, found.unit, found.rest
    ('quadriceps_torque_nm', 'uninvolved', 6.0, 'weeks', ())
    """
    text = f"_{_words(name)}_"
    text = re.sub(r"_0_10+_|_24_h_|(?<=_fjs)_12_", "_", text)
    measure = measure_of(text.strip("_"))
    text = re.sub(r"_6_(?:mw[a-z]*|min[a-z]*)_", "_walk_", text)
    text, time, unit, baseline = _without_time(text)
    text, change = _without(text, _CHANGE)
    text, limb = _without_limb(text)
    words = [word for word in text.split("_") if word]
    letters = [word for word in words if word in SIDE_LETTERS]
    letter = letters[0] if not limb and len(letters) == 1 else ""
    known = _known_words(measure)
    rest = tuple(word for word in words if word != letter and word not in _BESIDE and not known(word))
    if measure in ("quadriceps_torque", "hamstring_torque") and not re.search(r"(?:^|_)n_?m", "_".join(words)):
        rest = (*rest, *(word for word in words if word in ("kg", "n")))  # a force, or the kilograms of a scale
    if time is not None and re.search(BEFORE_START, name):
        rest = (*rest, "-")  # a dash, or a time before the start
    stem = "_".join(word for word in words if word != letter)
    return HeaderWords(name, stem, measure, limb, letter, time, unit, baseline, bool(change), rest)


def measure_of(text: str) -> str | None:
    """Give the measure that words mean; None where none does. Torque in N·m, and not per kilogram, is a measure of its own.

    Examples
    --------
    >>> measure_of("KOOS_Pain"), measure_of("quad (Nm)"), measure_of("shoe_size")
    ('koos_pain', 'quadriceps_torque_nm', None)
    """
    words = _words(text)
    if re.search(_NOT_OF_THE_KNEE, words):
        return None
    found = next((measure for pattern, measure in _MEASURES if re.search(pattern, words)), None)
    if (
        found == "quadriceps_torque"
        and re.search(r"(?:^|_)n_?m(?:_|$)", words)
        and not re.search(r"(?:^|_)kg(?:_|$)", words)
    ):
        return "quadriceps_torque_nm"
    return found


def side_of(label: str) -> str | None:
    """Give the side of the body that a label means, right or left; None where it means none.

    Examples
    --------
    >>> side_of("rechts"), side_of("L"), side_of("1")
    ('right', 'left', None)
    """
    words = "_".join(words_of(label))
    if words in SIDE_LETTERS:
        return SIDE_LETTERS[words][0]
    return next((side for side, pattern in _SIDES.items() if re.fullmatch(rf"(?:{pattern})(?:_\w+)?", words)), None)


def limb_of_label(label: str) -> str | None:
    """Give the limb that a label means: involved, uninvolved, right, left; None where it means none."""
    return header_words(label).limb or side_of(label)


def _words(text: str) -> str:
    """Bring a text to lower case with underscores between its words and numbers, QoL as one word, 6/52 as weeks."""
    return "_".join(words_of(re.sub(r"(\d+)/52\b", r"\1 weeks", text.replace("QoL", "Qol"))))


def _without(text: str, pattern: str) -> tuple[str, str]:
    match = re.search(rf"_(?:{pattern})(?=_)", text)
    return (text, "") if match is None else (text[: match.start()] + text[match.end() :], match.group())


def _without_limb(text: str) -> tuple[str, str]:
    for limb, pattern in (("uninvolved", _UNINVOLVED), ("involved", _INVOLVED), *_SIDES.items()):
        text, found = _without(text, pattern)
        if found:
            return _without(text, r"limb|leg|side|seite|bein")[0], limb
    return text, ""


def _without_time(text: str) -> tuple[str, float | None, TimeUnit | None, bool]:
    """Cut out the first time that is said in the clearest way."""
    for pattern in (*(rf"_(?:{one})(?=_)" for one in _TIMES), *_BARE_NUMBER):
        match = re.search(pattern, text)
        if match is None:
            continue
        found = match.groupdict()
        rest = text[: match.start()] + "_" + text[match.end() :].lstrip("_")
        if found.get("baseline"):
            return rest, 0.0, None, True
        unit = found.get("unit")
        if unit is not None:
            rest = _without(rest, _AFTER)[0]
        return rest, float(found["number"]), None if unit is None else (_LONG_UNITS | _SHORT_UNITS)[unit], False
    return text, None, None, False


def _known_words(measure: str | None) -> Callable[[str], re.Match[str] | None]:
    """Give what says whether a word belongs to the name of a measure."""
    patterns = [pattern for pattern, name in _MEASURES if name == (measure or "").removesuffix("_nm")]
    pieces = "|".join(re.findall(r"[a-z]{3,}", " ".join(patterns)))
    return re.compile(rf"(?:{pieces})\w*" if pieces else r"(?!)").fullmatch
