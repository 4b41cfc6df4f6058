"""What a column is known to hold, so that it may stay without anybody having permitted it: header and every cell must fit."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from functools import cache
from typing import Literal

import pandas as pd

from analysis.cohort.recognition.cells import Cells
from analysis.cohort.recognition.find_identifiers import name_rule
from analysis.cohort.recognition.number_rules import (
    FEWEST_PATIENTS,
    counts_patients,
    each_has_own,
    may_be_dates,
    may_be_zip_codes,
    whole_and_own,
)
from analysis.cohort.recognition.trade_words import (
    KnownKind,
    graded_label,
    has_few_numbers,
    header_words,
    is_known_name,
    known_kinds,
    label_fits,
    numbers_among,
    plain_letters,
    word_list,
    words_of,
)

Holds = Literal["numbers", "labels", "yes or no", "nothing"]

_YES_NO = frozenset({"yes", "no", "y", "n", "ja", "nein", "j", "oui", "non", "si", "sí", "true", "false", "wahr", "falsch", "0",
                     "1", "0.0", "1.0", "x"})  # fmt: skip
_SIDES = frozenset({"l", "r", "left", "right", "both", "links", "rechts"})
#: Grades from 0 on, which few scales of a knee exceed.
_GRADES = frozenset({0.0, 1.0, 2.0, 3.0, 4.0})
#: A column of labels has at most this many of them (design choice).
MOST_LABELS = 30
#: Whole numbers under a name that numbers things are small (design choice): more could be numbers of records.
_SMALL = 99
#: Whole numbers from here on, different in nearly every patient, may number records (design choice).
_LONG = 1_000
#: A column of times that is not counted from a known start has at most so many different ones (design choice).
_MOST_TIMES = 15
#: From this share of rows on that are not the first of their patient, patients have several times; where the starts are not
#: known, the first of this share of the patients lies in the first weeks (design choices).
_SEVERAL, _NEARLY_ALL, _FIRST_TIMES = 0.5, 0.9, (-4.0, 2.0)
_YEARS_IN = {"months": 12.0, "weeks": 52.1775, "days": 365.2425}
_AGE_WORDS = frozenset(
    {"age", "aged", "alter", "edad", "eta", "leeftijd", "idade", "birth", "born", "geburt", "naissance"}
)
_UNITS = (("months", {"month", "months", "mo", "mth", "monat", "monate", "monaten", "mois", "mes", "meses", "mesi", "maanden"}),
          ("weeks", {"week", "weeks", "wk", "wks", "woche", "wochen", "semaines", "semanas"}),
          ("days", {"day", "days", "tag", "tage", "jours", "dias", "giorni", "dagen"}))  # fmt: skip
#: The widest range of a time in its unit, from two years before a start to ten after (design choice); 0 is the start.
_TIMES = {"years": (-2.0, 11.0), "months": (-25.0, 125.0), "weeks": (-110.0, 530.0), "days": (-800.0, 3_700.0)}
#: Words that say from where a time is counted; without one a day, a month or a year is one of the calendar.
_DIRECTION = frozenset({
    "since", "after", "post", "postop", "postoperative", "before", "pre", "preop", "follow", "followup", "fu", "to", "from", "until",
    "study", "nach", "vor", "seit", "apres", "depuis", "avant", "despues", "antes", "desde", "dopo", "prima", "apos", "na", "voor",
    "window", "deviation", "dev", "waiting", "wait", "duration", "symptoms", "elapsed", "wks", "postopweek", "rehab", "seguimiento",
    "suivi", "visit", "timepoint",
})  # fmt: skip
#: Words of an amount in a time (minutes per week), which is no time.
_A_RATE = frozenset({"per", "pro", "hours", "minutes", "min", "mins", "stunden", "minuten"})
_MOMENTS = frozenset({"op", "surgery", "operation", "injury", "admission", "discharge", "start", "enrolment", "enrollment", "first",
                      "last", "end", "randomisation", "randomization"})  # fmt: skip


@dataclass(frozen=True)
class Known:
    """What a column is known to hold: the kind, and in which form its cells hold it."""

    kind: KnownKind
    holds: Holds


@cache
def header_kind(name: str) -> KnownKind | None:
    """Give the kind that the name of a column says; None where it says none, or holds a word that is not known.

    Examples
    --------
    >>> header_kind("quad_torque_involved").name, header_kind("torque_device"), header_kind("koos_comment")
    ('strength', None, None)
    """
    words = words_of(name)
    if not has_few_numbers(words) or not plain_letters(name):
        return None
    said = frozenset(words) - set(numbers_among(words))
    best: KnownKind | None = None
    most = (0, 0)
    for kind in known_kinds():
        if said - kind.words - header_words() - word_list("numbering") or (kind.time and said & _A_RATE):
            continue
        fitting = [phrase for phrase in kind.phrases if phrase <= said]
        if fitting and (found := (len((kind.words - header_words()) & said), max(map(len, fitting)))) > most:
            best, most = kind, found
    return best


@cache
def measure_kind(name: str) -> KnownKind | None:
    """Give the kind of measure that a name says beside words that are not known; None where one of them says otherwise.

    Examples
    --------
    >>> measure_kind("lysholm_tot").name, measure_kind("torque_device"), measure_kind("ward 3")
    ('scores', None, None)
    """
    said = frozenset(words_of(name))
    if said & (word_list("not_a_measure") | word_list("numbering")) or name_rule(name) is not None:
        return None
    fitting = [kind for kind in known_kinds() if kind.measure and any(phrase <= said for phrase in kind.phrases)]
    return max(fitting, key=lambda kind: len(kind.words & said), default=None)


@cache
def label_kinds(name: str) -> tuple[KnownKind, ...]:
    """Give the kinds that a name of words of the trade may say, where its words are of several.

    Examples
    --------
    >>> [kind.name for kind in label_kinds("med_meniscus_tx")], label_kinds("meniscus (Ms Amberg)")
    (['protocol', 'procedure'], ())
    """
    if not is_known_name(name) or set(words_of(name)) & word_list("not_a_measure") or name_rule(name) is not None:
        return ()
    said = frozenset(words_of(name))
    return tuple(kind for kind in known_kinds() if any(phrase <= said for phrase in kind.phrases))


def known_as(cells: Cells, name: str, patients: pd.Series | None = None, *, started: bool = True) -> Known | None:
    """Say what a column is known to hold; None where nothing says it, or one cell does not fit.

    Yes and no, the sides, grades from 0 to 4, and words of degrees are known by the cells, unless the name says that it is no
    measure; all else by name and cells. ``patients`` says whose each row is; by default each row is another's. Numbers of
    fewer than ``FEWEST_PATIENTS`` are not known. ``started`` says that the starts are known, so that it can be looked whether
    times point to one day.

    Examples
    --------
    >>> known_as(Cells(pd.Series([1.2, 1.9])), "quad_torque_involved").kind.name
    'strength'
    >>> known_as(Cells(pd.Series(["left", "right"])), "side").holds
    'labels'
    >>> known_as(Cells(pd.Series(["left", "Dr Amberg"])), "side") is None
    True
    """
    if cells.is_date:
        return None
    kind, distinct = header_kind(name), cells.distinct
    if not distinct:
        return Known(kind, "nothing") if kind is not None else None
    if {text.casefold() for text in distinct} <= _YES_NO:
        return Known(kind or _YES_NO_KIND, "yes or no")
    if kind is not None and kind.site:
        return Known(kind, "labels") if set(words_of(name)) <= kind.words else None
    if cells.numbers is None:
        known = _known_labels(distinct, name, kind)
        return None if known is not None and _labels_count(cells, known.kind, patients, started=started) else known
    if few_patients(cells, patients):
        return None
    said = kind or measure_kind(name)
    own = whole_and_own(cells, patients)
    if said is None and _other_name(name) and set(cells.numbers) <= _GRADES and 0.0 in set(cells.numbers) and not own:
        return Known(_DEGREES_KIND, "numbers")
    if said is None or said.range is None or _may_count(cells, name, said, patients):
        return None
    if (
        kind is None and own
    ):  # of a name that is known in part only: whole numbers of one patient each may number records
        return None
    if said.time and not _time_fits(cells, name, patients, started=started):
        return None
    low, high = (said.range[0], 130.0 * _years_in(cells, name)) if said.age else said.range
    return Known(said, "numbers") if cells.numbers.between(low, high).all() else None


def few_patients(cells: Cells, patients: pd.Series | None) -> bool:
    """Say whether so few patients have a value that it cannot be told whether numbers are those of a date or of a list."""
    return patients is not None and patients[~cells.missing].nunique() < FEWEST_PATIENTS


def _may_count(cells: Cells, name: str, said: KnownKind, patients: pd.Series | None) -> bool:
    """Say whether numbers may be of records, rows, dates or places for all that their name says."""
    numbers = cells.numbers
    if numbers is None:
        return False
    words = set(words_of(name))
    own = whole_and_own(cells, patients)
    if counts_patients(cells, patients) or may_be_dates(numbers):
        return True
    if may_be_zip_codes(numbers) and said.name != "steps":
        return True
    if words & word_list("numbering") and (own or float(numbers.abs().max()) > _SMALL):
        return True
    instrument = words.intersection(frozenset().union(*said.phrases)) - word_list("unspecific")
    if not said.time and not said.age and not instrument and each_has_own(cells, patients):
        return True
    return own and said.name not in ("steps", "walk") and float(numbers.abs().min()) >= _LONG


def numbers_in_labels(cells: Cells) -> Cells:
    """Give the number in each label, row by row; missing where a label has none or several.

    Examples
    --------
    >>> numbers_in_labels(Cells(pd.Series(["week 6", "W43", "baseline", "10-12"]))).row_numbers.tolist()
    [6.0, 43.0, nan, nan]
    """
    found = {text: numbers_among(words_of(text)) for text in cells.distinct}
    one = {text: float(numbers[0]) for text, numbers in found.items() if len(numbers) == 1}
    return Cells(pd.to_numeric(cells.column.astype("str").str.strip().map(one), errors="coerce").astype("float64"))


def _labels_count(cells: Cells, kind: KnownKind, patients: pd.Series | None, *, started: bool) -> bool:
    """Say whether the numbers in labels may be of single patients, or times that are not counted from the start."""
    numbers = numbers_in_labels(cells)
    if not numbers.distinct:
        return False
    if kind.time:
        return not _from_start(numbers, patients, started=started)
    return each_has_own(numbers, patients)


def age_unit(name: str, cells: Cells) -> float | None:
    """Give how many of its units a year has, for a column whose name says that it holds an age; None for any other.

    Where no number is over 130, they are years, whatever else the name says (``age at 6 months``).

    Examples
    --------
    >>> age_unit("age_months", Cells(pd.Series([400, 1100]))), age_unit("age_6_months", Cells(pd.Series([40, 94])))
    (12.0, 1.0)
    >>> age_unit("height", Cells(pd.Series([170]))) is None
    True
    """
    return _years_in(cells, name) if set(words_of(name)) & _AGE_WORDS else None


def _years_in(cells: Cells, name: str) -> float:
    if cells.row_numbers.abs().max() <= 130:
        return 1.0
    words = set(words_of(name))
    return next((_YEARS_IN[unit] for unit, some in _UNITS if words & some), 1.0)


def _time_fits(cells: Cells, name: str, patients: pd.Series | None, *, started: bool) -> bool:
    """Say whether numbers are times from a start, by name and cells."""
    words = set(words_of(name)) - set(numbers_among(words_of(name)))
    unit = next(
        (unit for unit, some in _UNITS if words & some), "years" if words & {"year", "years", "yr", "jahr"} else ""
    )
    if unit and words & _MOMENTS and not words & (_DIRECTION - {"visit", "first", "last"}):
        return False
    if unit in ("years", "months", "days") and not words & _DIRECTION:
        return False
    low, high = _TIMES[unit or "weeks"] if unit or "visit" not in words else (-2.0, 99.0)
    if not cells.row_numbers.dropna().between(low, high).all():
        return False
    directed = bool(words & (_DIRECTION - {"visit", "timepoint", "study"}))
    return _from_start(cells, patients, started=started, directed=directed)


def _from_start(cells: Cells, patients: pd.Series | None, *, started: bool, directed: bool = False) -> bool:
    """Say whether times may count from each patient's start: few different ones, or several of each patient.

    Where the starts are not known, or are too few for chance to be told, nobody can look whether times are those of the
    calendar; then they do where nearly every patient has several, and the first are of the first weeks.
    """
    numbers = cells.row_numbers.dropna()
    whose = numbers.index.to_series() if patients is None else patients[numbers.index]
    several = bool(whose.duplicated().mean() >= _SEVERAL)
    if started and whose.nunique() >= FEWEST_PATIENTS:
        few = numbers.nunique() <= _MOST_TIMES and not each_has_own(cells, patients)
        return several or directed or few
    firsts = numbers.groupby(whose).min()
    return several and bool(firsts.between(*_FIRST_TIMES).mean() >= _NEARLY_ALL)


def _known_labels(distinct: Collection[str], name: str, kind: KnownKind | None) -> Known | None:
    if len(distinct) > MOST_LABELS:
        return None
    kinds = [kind] if kind is not None else label_kinds(name)
    for one in kinds:
        if all(label_fits(label, one) for label in distinct):
            return Known(one, "labels")
    degrees = {one.casefold() for one in distinct} <= _SIDES or all(graded_label(one) for one in distinct)
    return Known(_DEGREES_KIND, "labels") if degrees and _other_name(name) else None


def _other_name(name: str) -> bool:
    """Say whether a name that says nothing known says nothing of an identifier either."""
    return not set(words_of(name)) & word_list("not_a_measure") and name_rule(name) is None


_YES_NO_KIND = KnownKind("a yes or no", (), frozenset())
_DEGREES_KIND = KnownKind("degrees", (), frozenset())
