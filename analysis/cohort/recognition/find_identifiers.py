"""Find direct identifiers in the tables of a cohort, by the names of columns and by what stands in them."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping

import numpy as np
import pandas as pd

from analysis.cohort.findings import FindingList
from analysis.cohort.recognition.cell_rules import first_rule
from analysis.cohort.recognition.identifier_rules import (
    DATE_PATTERN,
    GIVEN_NAMES,
    NAME_RULES,
    OPAQUE_WORDS,
    VALUE_RULES,
    NameRule,
)
from analysis.cohort.recognition.trade_words import is_note
from analysis.cohort.tables import TABLES, Privacy
from analysis.cohort.text_columns import distinct_texts, is_among
from analysis.foreign_text import shape

_DATE = re.compile(DATE_PATTERN)
_WHAT_TO_DO = "Remove it, or replace it with something that does not identify the patient."
_WEEKS = "Use weeks since surgery or start."
#: A text column whose usual cell is longer than this, in several words, is free text (design choice).
_FREE_TEXT_LENGTH = 40
_SPACES_OF_FREE_TEXT = 4
#: Short notes have so many words, and so many where the patients are too few for labels to come twice (design choices).
_WORDS_OF_A_NOTE, _WORDS_OF_A_SENTENCE, _FEWEST_PATIENTS = 2, 4, 5
#: Whole numbers from here on, different in nearly every patient, are numbers given to somebody (design choice).
_LONG_NUMBER = 1_000_000
#: Columns of labels, in which many patients may have a label of their own.
_LABELS = ("protocol", "site", "procedure", "sex", "involved_side")
#: Texts that are different in nearly all of this many patients or more, and read like codes (design choice).
_FEWEST_CODES = 20
_CODE = r"[A-Za-z]{0,6}[-_/. ]?\d[A-Za-z0-9_/.-]{3,}|[A-Za-z0-9]{6,}"
#: What each rule for values finds; the last, which place -1 means, is nothing.
_RULE_NAMES = np.array([*(f"{rule.what}, {rule.paragraph}" for rule in VALUE_RULES), ""], dtype=object)
#: A quarter, or a month, of a year.
_PERIOD = r"[12]\d{3}-(?:Q[1-4]|0[1-9]|1[0-2])"


#: What to do where a cohort has quarters and its level is safe harbor.
QUARTERS_NEED = (
    "Leave the column out; or, under a data use agreement or for the organisation's own quality work (45 CFR 164.514(e)), say so: "
    'privacy = "limited" at the top of the map, before its first section (of tables that are de-identified: --level limited).'
)


def find_identifiers(
    tables: Mapping[str, pd.DataFrame],
    findings: FindingList,
    privacy: Privacy = "safe-harbor",
    *,
    quarters: bool = False,
    named: Mapping[str, Collection[str]] | None = None,
) -> frozenset[str]:
    """Add a finding for everything that looks like a direct identifier; values are masked there.

    The rules are those of 45 CFR 164.514(b)(2), and of (e) for a limited data set (which may hold dates and places), as far
    as names of columns and forms of cells show them; they cannot see an identifier written as free text, so free text is a
    warning. The index of the tables holds the row number, from 0; ``quarters`` says that the columns quarter and due_week of
    patients may be there; ``named`` are columns by table whose names need no look: a person permitted them. Given are the
    patient identifiers that look like names or other identifiers.
    """
    limited = privacy == "limited"
    known_patients = pd.Series(dtype="str")
    flagged: set[str] = set()
    for name, frame in tables.items():
        table = TABLES.get(name)  # type: ignore[call-overload]
        for column in frame.columns:
            known = table is not None and table.column(str(column)) is not None
            harmless = known or str(column) in (named or {}).get(name, ())
            if not harmless and (rule := name_rule(str(column), limited=limited)) is not None:
                advice = _WEEKS if rule.what == "a date" else _WHAT_TO_DO
                problem, advice = f"the name of the column says that it holds {rule.what}, {rule.paragraph}", advice
                findings.add("error", name, problem, advice, column=str(column), identifier=True)
                continue
            values = frame[column]
            if name == "patients" and column == "quarter":
                _quarters(frame, findings, allowed=quarters)
            elif name == "patients" and column == "due_week" and not quarters:
                if values.notna().any():
                    problem = "the week due by the as-of date tells when the patient started, (C) dates"
                    findings.add("error", "patients", problem, QUARTERS_NEED, column="due_week", identifier=True)
            elif column == "patient_id":
                new = values[~is_among(values, known_patients)] if len(known_patients) else values
                distinct = new.dropna().drop_duplicates().astype("str")
                if len(distinct):
                    flagged |= _patient_identifiers(name, distinct, findings)
                    known_patients = pd.concat([known_patients, distinct])
            elif isinstance(values.dtype, pd.CategoricalDtype) or pd.api.types.is_string_dtype(values.dtype):
                _text_identifiers(name, frame, str(column), findings, limited=limited)
            elif not known:
                _number_identifiers(name, frame, str(column), findings, limited=limited)
    return frozenset(flagged)


def name_rule(column: str, *, limited: bool = False) -> NameRule | None:
    """Return the rule that the name of a column falls under; None where none does.

    Examples
    --------
    >>> name_rule("Date of Birth").paragraph
    '(C) dates'
    >>> name_rule("SerialNumber").what
    'a device identifier or serial number'
    >>> name_rule("site_name") is None
    True
    """
    words = plain(column)
    for rule in NAME_RULES:
        if rule.pattern.search(words) and not (limited and rule.allowed_in_limited):
            return rule
    return None


def plain(name: str) -> str:
    """Bring a name to lower case with underscores between its words."""
    words = re.sub(r"(?<=[a-z0-9])(?=[A-Z])", "_", name.strip())
    return re.sub(r"[^a-z0-9]+", "_", words.lower()).strip("_")


def are_dates(text: pd.Series) -> pd.Series:
    """Say which texts are dates written out (day, month and year, or month and year)."""
    found = {one: _DATE.fullmatch(one.strip()) is not None for one in text.dropna().unique()}
    return text.map(found).fillna(value=False).astype(bool)


def look_like_names(text: pd.Series) -> pd.Series:
    """Say which texts read like a person's name and not like an opaque identifier.

    A text does where it holds a common given name, or where it is two or more words, without a digit or each of three
    letters or more, none of which is usual in identifiers (patient, subject, case, ...).

    Examples
    --------
    >>> look_like_names(pd.Series(["P0007", "Smith, John", "patient A", "maria", "M01"])).tolist()
    [False, True, False, True, False]
    """
    lowered = text.str.strip().str.lower()
    suspects = lowered.str.contains(r"[^\W\d_]{3}", regex=True).fillna(value=False).astype(bool)
    verdicts = []
    for value in lowered[suspects]:
        words = [word for word in re.split(r"[\W\d_]+", value) if word]
        several = len([word for word in words if len(word) > 1]) >= 2 or (len(words) >= 2 and "," in value)
        spelt = len([word for word in re.split(r"[\W_]+", value) if len(word) > 2 and word.isalpha()]) >= 2
        opaque = any(word in OPAQUE_WORDS for word in words)
        has_digit = any(character.isdigit() for character in value)
        verdicts.append(
            any(word in GIVEN_NAMES for word in words) or (((several and not has_digit) or spelt) and not opaque)
        )
    answer = suspects.to_numpy().copy()
    answer[answer] = verdicts
    return pd.Series(answer, index=text.index)


def _quarters(patients: pd.DataFrame, findings: FindingList, *, allowed: bool) -> None:
    quarter = patients["quarter"]
    if not allowed:
        if quarter.notna().any():
            problem = "a quarter is an element of a date finer than the year, (C) dates"
            findings.add("error", "patients", problem, QUARTERS_NEED, column="quarter", identifier=True)
        return
    wrong = quarter.notna() & ~quarter.astype("str").str.fullmatch(_PERIOD).fillna(value=False).astype(bool)
    advice = "Write quarters as 2026-Q1, or months as 2026-01."
    findings.add_rows("error", "patients", patients, wrong, "quarter", "this is no quarter", advice)


def are_quarters(values: pd.Series) -> bool:
    """Say whether every cell of a column that has one is a quarter or a month of a year.

    Examples
    --------
    >>> are_quarters(pd.Series(["2026-Q1", None])), are_quarters(pd.Series(["2026-Q1", "spring"])), are_quarters(pd.Series([None]))
    (True, False, False)
    """
    known = values.dropna().astype("str").str.strip()
    return bool(len(known) and known.str.fullmatch(_PERIOD).all())


def _patient_identifiers(table: str, distinct: pd.Series, findings: FindingList) -> set[str]:
    flagged: set[str] = set()
    found = what_cells_hold(distinct, limited=False)
    names = look_like_names(distinct) & (found == "")
    found = found.mask(names, "a person's name, (A) names")
    hits = found[found != ""]
    if len(hits):
        flagged = set(distinct[hits.index])
        findings.add(
            "error",
            table,
            ["the identifier looks like " + what for what in hits],
            "Give every patient an opaque identifier, for example P001, and keep the key outside the cohort.",
            column="patient_id",
            rows=hits.index.to_numpy(),
            patients=distinct[hits.index].map(shape),
            values=distinct[hits.index].map(shape),
            identifier=True,
        )
    return flagged


def _text_identifiers(table: str, frame: pd.DataFrame, column: str, findings: FindingList, *, limited: bool) -> None:
    texts = TextsSoFar(table, column, limited=limited)
    texts.add(frame, findings)
    texts.finish(findings, frame)


class TextsSoFar:
    """Search for identifiers in a column of texts or labels, given in one or several parts."""

    def __init__(self, table: str, column: str, *, limited: bool) -> None:
        self._table, self._column, self._limited = table, column, limited
        self._distinct: dict[str, None] = {}
        self._known = 0
        self._hits = False

    def add(self, frame: pd.DataFrame, findings: FindingList) -> None:
        """Add a finding for each row of a part whose text looks like an identifier; the text is masked there."""
        values = frame[self._column]
        distinct = distinct_texts(values)
        if distinct.empty:
            return
        self._known += int(values.notna().sum())
        self._distinct |= dict.fromkeys(distinct.tolist())
        rules = first_rule(distinct, limited=self._limited)
        hits = {distinct.iloc[place]: _RULE_NAMES[rules[place]] for place in np.flatnonzero(rules >= 0)}
        if hits:
            self._hits = True
            rows = values.isin(hits)
            texts = values[rows].astype("str")
            problems, masked = ["looks like " + hits[text] for text in texts], texts.map(shape)
            findings.add_rows(
                "error", self._table, frame, rows, self._column, problems, _WHAT_TO_DO, masked, identifier=True
            )

    def finish(self, findings: FindingList, whole: pd.DataFrame | None = None) -> None:
        """Add what the whole column tells; ``whole`` is its table, where the column is not one that is known."""
        if not self._distinct:
            return
        column, distinct = self._column, pd.Series(list(self._distinct), dtype="str")
        if not self._hits and column not in _LABELS and are_unique_codes(distinct, self._known):
            problem = "nearly every patient has a code of their own, (R) any other unique identifying number or code"
            findings.add("error", self._table, problem, _WHAT_TO_DO, column=column, identifier=True)
        further = self._table not in TABLES or TABLES[self._table].column(column) is None
        if is_free_text(distinct) or (further and whole is not None and _are_notes(whole, column)):
            problem = "the column holds free text, in which a check cannot see names"
            advice = "Remove it, or read it through and replace it with categories."
            findings.add("warning", self._table, problem, advice, column=column)


def _are_notes(frame: pd.DataFrame, column: str) -> bool:
    return is_note(column) or ("patient_id" in frame and is_short_free_text(frame[column], frame["patient_id"]))


def is_free_text(distinct: pd.Series) -> bool:
    """Say whether the different texts of a column are free text: mostly long, and of several words."""
    long = distinct.str.len() > _FREE_TEXT_LENGTH
    return bool(
        long.to_numpy(dtype=bool, na_value=False).mean() > 0.5
        and (distinct[long].str.count(" ") >= _SPACES_OF_FREE_TEXT).mean() > 0.5
    )


def is_short_free_text(texts: pd.Series, whose: pd.Series) -> bool:
    """Say whether the texts of a column, row by row, read like what was written of one patient each.

    More than half of the different texts are then of several words and stand with one patient only. Of fewer than five patients a
    label of several words may stand with one of them; there it takes sentences.

    Examples
    --------
    >>> whose = pd.Series([f"P{i}" for i in range(6)])
    >>> is_short_free_text(pd.Series(["speaks Turkish", "moves to her daughter", None, None, None, None]), whose)
    True
    >>> is_short_free_text(pd.Series(["early motion", "usual care"] * 3), whose)
    False
    """
    codes, found = pd.factorize(texts)
    place, names = pd.factorize(pd.Series(found).astype("str").str.strip())  # several texts may be one without blanks
    text, patient = np.append(place, -1)[codes], pd.factorize(whose)[0]
    if not len(names):
        return False
    known = (text >= 0) & (patient >= 0)
    of_text = pd.Series(patient[known]).groupby(text[known])
    one_patient = of_text.min().eq(of_text.max()).reindex(range(len(names)), fill_value=False).to_numpy()
    few = patient.max(initial=-1) + 1 < _FEWEST_PATIENTS
    least = _WORDS_OF_A_SENTENCE if few else _WORDS_OF_A_NOTE
    words = pd.Series(names).str.count(r"[^\W\d_]{2,}").to_numpy()
    return bool(((words >= least) & one_patient).mean() > 0.5)


def are_unique_codes(values: pd.Series, n_patients: int | None = None) -> bool:
    """Say whether nearly every patient has a text of their own that reads like a code; by default one cell is one patient.

    Examples
    --------
    >>> are_unique_codes(pd.Series([f"KX-{i:05d}" for i in range(30)])), are_unique_codes(pd.Series(["A1", "A2"] * 15))
    (True, False)
    """
    known = values.dropna()
    unique = known.unique()
    if (
        len(known) < _FEWEST_CODES
        or len(unique) < _FEWEST_CODES
        or len(unique) < 0.9 * (len(known) if n_patients is None else n_patients)
    ):
        return False
    distinct = pd.Series(unique).astype("str")
    codes = distinct.str.fullmatch(_CODE) & (distinct.str.count(r"\d") >= 3) & distinct.str.contains("[A-Za-z]")
    return bool(codes.fillna(value=False).mean() > 0.9)


def what_cells_hold(text: pd.Series, *, limited: bool) -> pd.Series:
    """Return what each text looks like and the paragraph, empty where it looks like nothing."""
    return pd.Series(_RULE_NAMES[first_rule(text, limited=limited)], index=text.index, dtype="str")


def _number_identifiers(table: str, frame: pd.DataFrame, column: str, findings: FindingList, *, limited: bool) -> None:
    values = frame[column]
    if pd.api.types.is_datetime64_any_dtype(values.dtype):
        if not limited and values.notna().any():
            findings.add("error", table, "the column holds dates, (C) dates", _WEEKS, column=column, identifier=True)
        return
    if not pd.api.types.is_numeric_dtype(values.dtype) or pd.api.types.is_bool_dtype(values.dtype):
        return
    numbers = values.dropna().astype("float64")
    numbers = numbers[np.isfinite(numbers)]
    if len(numbers) and (numbers == numbers.round()).all():
        problem = what_whole_numbers_are(numbers, limited=limited)
        if problem:
            findings.add("error", table, problem, _WHAT_TO_DO, column=column, identifier=True)
            return
    if not limited and re.search(r"(?:^|_)age(?:_|$)", column.lower()) and "month" not in column.lower():
        old = numbers[numbers.between(90.5, 130)]
        problem, advice = "an age over 89 must be pooled, (C)", "Write 90 for every age of 90 and over."
        findings.add_rows("error", table, frame.loc[old.index], None, column, problem, advice, old, identifier=True)


def what_whole_numbers_are(numbers: pd.Series, *, limited: bool) -> str:
    """Say which identifier a column of whole numbers looks like; empty where it looks like none."""
    month, day = (numbers // 100) % 100, numbers % 100
    dates = numbers.between(19_000_101, 21_001_231) & month.between(1, 12) & day.between(1, 31)
    if dates.all() and not limited:
        return "the numbers are dates written as yyyymmdd, (C) dates"
    if (
        not dates.all()
        and len(numbers) > 1
        and (numbers >= _LONG_NUMBER).all()
        and numbers.nunique() / len(numbers) > 0.9
    ):
        return (
            "nearly every patient has a long number of their own: a record, account or serial number, (H) to (M), (R)"
        )
    return ""
