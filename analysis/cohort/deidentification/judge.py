"""Judge a column: known to be harmless, changed so that it is, or withheld until a person permits it by name."""

from __future__ import annotations

import datetime
import re
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
import pandas as pd

from analysis.cohort.columns import Column
from analysis.cohort.deidentification.known_days import (
    date_parts,
    far_before,
    follows_calendar,
    gives_back,
    interval_gives_back,
    is_of_the_office,
    is_part_of,
    rises_with,
)
from analysis.cohort.deidentification.transforms import as_dates, exact_or_old, is_us_zip_code
from analysis.cohort.follow_up.as_of import DUE_WEEK
from analysis.cohort.recognition.cells import Cells
from analysis.cohort.recognition.find_identifiers import (
    are_dates,
    are_quarters,
    are_unique_codes,
    is_free_text,
    is_short_free_text,
    name_rule,
    plain,
    what_cells_hold,
    what_whole_numbers_are,
)
from analysis.cohort.recognition.identifier_rules import GIVEN_NAMES
from analysis.cohort.recognition.known_columns import (
    MOST_LABELS,
    Known,
    age_unit,
    few_patients,
    known_as,
    numbers_in_labels,
)
from analysis.cohort.recognition.number_rules import FEWEST_PATIENTS, counts_patients, without_point
from analysis.cohort.recognition.trade_words import is_note
from analysis.cohort.tables import Privacy
from analysis.errors import CohortError

#: What is done with a column. keep: as it is; cap: ages over 89 become 90; weeks: dates become weeks from the start; start:
#: the date of the start itself; birth: a date of birth becomes an age; zip3: three digits of a ZIP code; number: labels
#: become numbers; codes: labels of a fixed list stay; group: the same, rare ones become "other"; withhold: left out.
Act = Literal["keep", "cap", "weeks", "start", "birth", "zip3", "number", "codes", "group", "withhold"]
Seems = Literal["nothing", "numbers", "dates", "labels", "texts", "codes of single patients", "identifiers"]

CODE = "(R) any other unique identifying number or code"
DATES = "(C) dates"
_BIRTH = r"birth|born|(?:^|_)(?:dob|yob|geburt\w*|nascita|naissance|nacimiento|geboorte\w*)(?:_|$)"
#: From this share of patients with a text of their own on, a column could tell each of them apart (design choice).
_OWN_TEXT = 0.5
_LONGEST_CODE = 60
#: Weeks of a programme, from two years before the start to ten after (design choice).
LONGEST_WEEKS = (-110.0, 530.0)


@dataclass(frozen=True)
class Judgement:
    """What is to be done with one column, and why.

    ``paragraph`` is the class of 45 CFR 164.514(b)(2)(i) that was recognised, for example ``(C) dates``; empty where none
    was. ``found`` says in a few words what the column holds and how that was told; ``seems`` what it may hold.
    """

    column: str
    act: Act
    found: str
    paragraph: str = ""
    seems: Seems = "labels"

    @property
    def recognised(self) -> bool:
        """Whether a class of identifiers was recognised, not only that nobody knows what the column is."""
        return bool(self.paragraph) and self.act == "withhold"


@dataclass(frozen=True)
class Surroundings:
    """What else is known of the table: its patients row by row, their starts, the level aimed at, its columns of dates."""

    patients: pd.Series
    starts: pd.Series | None = None
    level: Privacy = "safe-harbor"
    start: str | None = None
    date_format: str | None = None
    dates: tuple[pd.Series, ...] = ()
    as_of: datetime.date | None = None

    @cached_property
    def parts(self) -> tuple[np.ndarray, ...]:
        """Day, month, year and so on of the starts and of each column of dates."""
        known = self.dates if self.starts is None else (self.starts, *self.dates)
        return tuple(map(date_parts, known))

    @cached_property
    def n_patients(self) -> int:
        """Number of patients."""
        return int(self.patients.nunique())


def judge(values: pd.Series, name: str, around: Surroundings) -> Judgement:
    """Judge a column by its name and its cells of any type, without anybody's permission.

    Examples
    --------
    >>> around = Surroundings(pd.Series(list("abcde")))
    >>> judge(pd.Series([1.5, 2.0, 1.25, 1.75, 2.5]), "quad_torque", around).act
    'keep'
    >>> judge(pd.Series(["3b", "4a", "3b", "3b", "4a"]), "ward", around).act
    'withhold'
    """
    if name == around.start:
        return Judgement(name, "start", "the date of surgery or start", DATES, "dates")
    if around.level == "limited" and plain(name) == "quarter" and are_quarters(values):
        return Judgement(name, "keep", "quarters", "", "labels")
    cells = Cells(values)
    rule, seems = name_rule(name), what_it_seems(cells, around.n_patients, around.patients)
    known = known_as(cells, name, around.patients, started=around.starts is not None)
    whole = known is not None and known.holds in ("labels", "yes or no")
    if rule is not None and rule.what not in ("a date", "a place smaller than a state") and not whole:
        return Judgement(name, "withhold", f"{rule.what}, by the name of the column", rule.paragraph, "identifiers")
    if rule is not None and rule.what == "a place smaller than a state":
        zip_code = "zip" in plain(name) and is_us_zip_code(values).all()
        found = f"{rule.what}, by the name of the column"
        return Judgement(name, "zip3" if zip_code else "withhold", found, rule.paragraph, "identifiers")
    if seems == "nothing":
        return Judgement(name, "withhold", "no value", "", seems)
    if seems == "dates" or (rule is not None and not whole and _some_dates(values, name, around)):
        return judge_dates(values, name, around)
    if held := identifiers_in(cells):
        return Judgement(name, "withhold", held[0], held[1], "identifiers")
    if rule is not None and not whole:
        return Judgement(name, "withhold", f"{rule.what}, by the name of the column", rule.paragraph, "identifiers")
    if cells.numbers is None and is_note(name):
        return Judgement(name, "withhold", "notes, by the name of the column", "", "texts")
    if known is None:
        return Judgement(
            name,
            "withhold",
            _unknown(cells, seems, around.patients),
            CODE if seems == "codes of single patients" else "",
            seems,
        )
    if known.kind.site:
        act: Act = "number" if around.level == "safe-harbor" else "keep"
        return Judgement(name, act, "sites", "(B) geographic subdivisions" if act == "number" else "", seems)
    if seems == "numbers":
        return _known_numbers(cells, name, around, known)
    if known.holds == "labels" and (problem := problem_of_numbers(numbers_in_labels(cells), around)):
        return Judgement(name, "withhold", problem, DATES, "dates")
    return Judgement(name, "keep", f"{known.holds}, known: {known.kind.name.replace('_', ' ')}", "", seems)


def judge_known(values: pd.Series, spec: Column, around: Surroundings) -> Judgement:
    """Judge a column that a table of a cohort is known to have.

    Labels without a list of their own (protocol, procedure, event) must be words of the trade, weeks those of a programme.
    """
    name, cells = spec.name, Cells(values)
    if name in ("quarter", DUE_WEEK):
        act: Act = "withhold" if around.level == "safe-harbor" else "keep"
        found = "quarters" if name == "quarter" else "weeks to the as-of date"
        return Judgement(name, act, found, DATES if act == "withhold" else "")
    if held := identifiers_in(cells):
        return Judgement(name, "withhold", held[0], held[1], "identifiers")
    if name == "site":
        return Judgement(
            name, "number" if around.level == "safe-harbor" else "keep", "sites", "(B) geographic subdivisions"
        )
    if name == "age_years" and bool((cells.row_numbers > 90).any()):
        return Judgement(name, "cap", "ages over 89", DATES, "numbers")
    if name == "week" and not cells.row_numbers.dropna().between(*LONGEST_WEEKS).all():
        return Judgement(name, "withhold", "weeks of no programme, perhaps of the calendar", DATES, "numbers")
    if spec.kind != "category" or spec.categories or name == "measure":
        return Judgement(name, "keep", "a column of the cohort")
    if known_as(Cells(values.astype("str").where(values.notna())), name) is not None:
        return Judgement(name, "keep", "words of the trade")
    return Judgement(name, "withhold", "labels that nobody has permitted")


def judge_dates(values: pd.Series, name: str, around: Surroundings, *, asked: bool = False) -> Judgement:
    """Judge a column of dates: weeks from the start where all are dates, and none is the same for many patients.

    ``asked`` says that a person decided for weeks: then they may be of few patients.
    """
    if around.level == "limited" and around.starts is None:
        return Judgement(name, "withhold", "dates, and no start to count from", DATES, "dates")
    try:
        dates = as_dates(values, name, around.date_format)
    except CohortError:
        found = "dates with the day or the month first: say how they are written (--date-format)"
        return Judgement(name, "withhold", found, DATES, "dates")
    if dates is None or (dates.isna() & ~Cells(values).missing).any():
        return Judgement(name, "withhold", "dates, and cells that are none", DATES, "dates")
    if re.search(_BIRTH, plain(name)):
        return Judgement(name, "birth", "dates of birth, by the name of the column", DATES, "dates")
    if around.starts is None:
        return Judgement(name, "withhold", "dates, and no start to count from", DATES, "dates")
    if is_of_the_office(name) or gives_back(dates, around.starts, around.patients):
        found = "dates of the office or the same for many patients: weeks would give back the start"
        return Judgement(name, "withhold", found, DATES, "dates")
    judged = dates.notna() & around.starts.notna()
    if not asked and around.patients[judged].nunique() < FEWEST_PATIENTS:
        found = f"dates of fewer than {FEWEST_PATIENTS} patients: it cannot be told whether others know one of the days"
        return Judgement(name, "withhold", found, DATES, "dates")
    if far_before(dates, around.starts):
        return Judgement(name, "withhold", "dates long before the start, perhaps of birth", DATES, "dates")
    return Judgement(name, "weeks", "dates", DATES, "dates")


def identifiers_in(cells: Cells) -> tuple[str, str] | None:
    """Say what identifiers the cells of a column hold, and the paragraph; None where none is recognised."""
    if cells.is_date or not cells.distinct:
        return None
    if cells.numbers is not None:
        whole = bool((cells.numbers % 1 == 0).all())
        problem = what_whole_numbers_are(cells.numbers, limited=False) if whole else ""
        if problem and "dates" not in problem:
            return "a long number of nearly every patient", CODE
    text = pd.Series(cells.distinct, dtype="str")
    found = what_cells_hold(text, limited=False)
    hits = found[found != ""]
    if len(hits):
        what, _, paragraph = hits.mode().iloc[0].partition(", (")
        return f"{what}, in {len(hits):,} of {len(text):,} different texts", f"({paragraph}"
    named = any(set(re.split(r"[\W\d_]+", one.casefold())) & GIVEN_NAMES for one in cells.distinct)
    return ("given names of people, by the cells", "(A) names") if named else None


def what_it_seems(cells: Cells, n_patients: int, patients: pd.Series | None = None) -> Seems:
    """Say what a column may hold, by its cells alone; ``patients`` says whose each row is, by which short notes are told.

    Examples
    --------
    >>> what_it_seems(Cells(pd.Series(["1,5", "<20"])), 2), what_it_seems(Cells(pd.Series(["a", "b", "a"])), 3)
    ('numbers', 'labels')
    """
    if cells.is_date:
        return "dates"
    if not cells.distinct:
        return "nothing"
    if cells.numbers is not None:
        whole = bool((cells.numbers % 1 == 0).all())
        return "dates" if whole and "dates" in what_whole_numbers_are(cells.numbers, limited=False) else "numbers"
    distinct = pd.Series(cells.distinct, dtype="str")
    if are_dates(distinct).all():
        return "dates"
    if are_unique_codes(cells.column[~cells.missing].astype("str"), n_patients):
        return "codes of single patients"
    if patients is not None and is_short_free_text(cells.column.mask(cells.missing), patients):
        return "texts"
    few = len(distinct) <= min(MOST_LABELS, max(2.0, _OWN_TEXT * n_patients))
    return (
        "labels"
        if few and not is_free_text(distinct) and bool((distinct.str.len() <= _LONGEST_CODE).all())
        else "texts"
    )


def problem_of_numbers(cells: Cells, around: Surroundings) -> str:
    """Say what of a date numbers give back, whatever they are called; empty where nothing."""
    if interval_gives_back(cells, around.starts, around.patients):
        return "times to one and the same day: they would give back the start"
    if around.starts is not None and follows_calendar(cells, around.starts, around.patients):
        return "a part of a date, or a fixed time from it"
    forms = [cells]
    if (cells.row_numbers.dropna() % 1).any():
        forms.append(Cells(without_point(cells.row_numbers)))
    return "a part of a date" if any(is_part_of(form, parts) for form in forms for parts in around.parts) else ""


def _known_numbers(cells: Cells, name: str, around: Surroundings, known: Known) -> Judgement:
    if problem := problem_of_numbers(cells, around):
        return Judgement(name, "withhold", problem, DATES, "dates")
    days = () if around.starts is None or known.kind.age else (around.starts, *around.dates)
    if any(rises_with(cells, each, around.patients, by_row=not known.kind.time) for each in days):
        return Judgement(name, "withhold", "numbers in the order of the dates", CODE, "numbers")
    years = age_unit(name, cells)
    if years is not None and exact_or_old(cells.row_numbers, years):
        found = "ages over 89, or not in whole years"
        return Judgement(name, "cap", found, DATES, "numbers")
    return Judgement(name, "keep", f"numbers, known: {known.kind.name.replace('_', ' ')}", "", "numbers")


def _some_dates(values: pd.Series, name: str, around: Surroundings) -> bool:
    try:
        return as_dates(values, name, around.date_format) is not None
    except CohortError:
        return True


def _unknown(cells: Cells, seems: Seems, patients: pd.Series) -> str:
    if seems == "numbers" and few_patients(cells, patients):
        return f"numbers of fewer than {FEWEST_PATIENTS} patients: it cannot be told whether they are those of a date or a list"
    if seems == "numbers" and counts_patients(cells, patients):
        return "numbers that count the patients"
    words = {"labels": "labels", "numbers": "numbers", "texts": "texts", "dates": "dates", "nothing": "no value",
             "codes of single patients": "a code of each patient", "identifiers": "identifiers"}[seems]  # fmt: skip
    return f"{words}, and nothing says what they are"
