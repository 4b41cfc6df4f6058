"""What a person permitted by name, held against what is in the column today."""

from __future__ import annotations

import re
from dataclasses import replace

import pandas as pd

from analysis.cohort.deidentification.judge import (
    DATES,
    Act,
    Judgement,
    Surroundings,
    identifiers_in,
    judge_dates,
    problem_of_numbers,
    what_it_seems,
)
from analysis.cohort.deidentification.review import ColumnReview
from analysis.cohort.deidentification.transforms import is_us_zip_code
from analysis.cohort.recognition.cells import Cells
from analysis.cohort.recognition.find_identifiers import QUARTERS_NEED, are_quarters, name_rule
from analysis.cohort.recognition.known_columns import MOST_LABELS, age_unit
from analysis.cohort.recognition.number_rules import FEWEST_PATIENTS
from analysis.errors import DeidentificationError
from analysis.foreign_text import shape

#: A column that was permitted as numbers holds numbers in this share of its cells at least; the others are emptied.
_MOST_NUMBERS = 0.5
_HUGE = 1e15
#: Codes have no number of so many digits, and not so large a share of patients with a code of their own (design choices).
_LONG_RUN, _MOST_SINGLE = 5, 0.8
#: How a column is told that a person left out.
DECIDED = "by a person's decision"


def permitted(judged: Judgement, said: ColumnReview | None, values: pd.Series, around: Surroundings) -> Judgement:
    """Give what is done with a column where a person decided on it; what was judged where nobody did.

    A column stays withheld where the cells are not what they were when it was permitted, where they hold an identifier
    that is recognised, or where they would give back a date. ``keep`` lets no text pass.

    Raises
    ------
    DeidentificationError
        A code that may stay looks like an identifier, or more codes are listed than a column of labels has.
    """
    if said is None or said.decision is None or judged.act == "start":
        return judged
    act = said.decision
    if act == "withhold" or (said.may_see == "inside" and around.level == "safe-harbor"):
        found = DECIDED if act == "withhold" else f"for the organisation only, {DECIDED}"
        return replace(judged, act="withhold", found=found)
    if act in ("codes", "group"):
        _refuse_codes(said, Cells(values), around.patients)
        return replace(judged, act=act, found=f"labels that a person permitted{_against(judged)}", paragraph="")
    if act == "number":
        return replace(
            judged, act=act, found=f"labels, numbered by a person's decision{_against(judged)}", paragraph=""
        )
    cells = Cells(values)
    seems = what_it_seems(cells, around.n_patients, around.patients)
    if act == "weeks" or (seems == "dates" and around.level == "safe-harbor"):
        return judge_dates(values, judged.column, around, asked=act == "weeks")
    if act == "zip3":
        fits = is_us_zip_code(values).all()
        return replace(
            judged, act="zip3" if fits else "withhold", found="ZIP codes" if fits else "cells that are no ZIP code"
        )
    if around.level == "limited" and (seems == "dates" or judged.act in ("zip3", "number") or are_quarters(values)):
        return replace(judged, act="keep", found="kept at the limited level by a person's decision")
    if judged.act != "withhold":  # known, or made harmless: more than that a permission does not give
        return judged
    if problem := _problem(said, cells, around):
        return replace(judged, act="withhold", found=problem)
    cap = act == "cap" or age_unit(judged.column, cells) is not None
    found = f"numbers that a person permitted{_against(judged)}"
    return replace(judged, act="cap" if cap else "keep", found=found, paragraph=DATES if cap else "")


def permission_by_name(judged: Judgement, values: pd.Series, around: Surroundings) -> ColumnReview:
    """Give the permission of a person who names a column to be kept, and nothing else, on the command line.

    Raises
    ------
    DeidentificationError
        The column holds texts, which never pass, identifiers that are recognised, or has a name that says one.
    """
    cells = Cells(values)
    seems = what_it_seems(cells, around.n_patients, around.patients)
    held = identifiers_in(cells) if around.level == "safe-harbor" or seems == "texts" else None
    rule = name_rule(judged.column, limited=around.level == "limited")
    by_name = rule is not None and judged.act == "withhold" and rule.what != "a date"
    if seems in ("texts", "codes of single patients") or held is not None or by_name:
        what = held[0] if held else f"{rule.what}, by its name" if by_name and rule is not None else seems
        quarters = are_quarters(cells.column) and around.level == "safe-harbor"
        raise DeidentificationError(
            f"The column {judged.column!r} cannot be kept: it holds {what}.",
            where=f"column {judged.column}",
            what_to_do=QUARTERS_NEED
            if quarters
            else "Leave it out, replace it in a copy of the source with a few codes, or decide on it in a review (--review).",
        )
    quarters = around.level == "limited" and are_quarters(cells.column)
    codes = tuple(sorted(cells.distinct)) if seems == "labels" and judged.act != "keep" and not quarters else ()
    act: Act = "codes" if codes else "keep"
    shapes = tuple(dict.fromkeys(shape(text) for text in cells.distinct))
    return ColumnReview("", judged.column, seems, "named to be kept", len(cells.distinct), shapes, act, withheld=False,
                        decision=act, codes=codes, may_see="anyone")  # fmt: skip


def _against(judged: Judgement) -> str:
    """Say that a person permitted what a rule would not."""
    return f", although it is {judged.found}" if judged.recognised else ""


def _refuse_codes(said: ColumnReview, cells: Cells, patients: pd.Series) -> None:
    if problem := _problem_of_codes(said.codes, cells, patients):
        raise DeidentificationError(
            f"The codes that may stay {problem}.",
            where=f"column {said.column}",
            what_to_do="List a few codes that tell nothing of a person or a place, or withhold the column.",
        )


def _problem_of_codes(codes: tuple[str, ...], cells: Cells, patients: pd.Series) -> str:
    """Say why codes are none; empty where they may be."""
    if any(re.fullmatch(r"\D{0,2}(?:9[1-9]|1[01]\d)\s*\+", code) for code in codes):
        return "look like an age over 89"
    held = identifiers_in(Cells(pd.Series(codes, dtype="str")))
    if held is not None:
        return f"look like {held[0]}"
    if any(
        len(re.sub(r"[\s./-]", "", run)) >= _LONG_RUN for code in codes for run in re.findall(r"\d[\d\s./-]*", code)
    ):
        return f"hold numbers of {_LONG_RUN} digits or more"
    if len(codes) > MOST_LABELS:
        return f"are {len(codes)}, more than {MOST_LABELS}"
    texts = cells.column.astype("str").str.strip()
    kept = pd.DataFrame({"code": texts, "patient": patients})[texts.isin(codes) & ~cells.missing].drop_duplicates()
    n_patients = kept["patient"].nunique()
    single = kept["code"].map(kept["code"].value_counts()) == 1
    if n_patients >= FEWEST_PATIENTS and bool(single.sum() >= _MOST_SINGLE * n_patients):
        return "are of one patient each"
    return ""


def _problem(said: ColumnReview, cells: Cells, around: Surroundings) -> str:
    """Say why numbers that were permitted do not pass today; empty where they do."""
    numbers = cells.row_numbers
    known = numbers.dropna()
    if len(known) < _MOST_NUMBERS * int((~cells.missing).sum()):
        return "numbers when it was permitted, texts now"
    if not said.shapes:
        return "numbers, and the review does not say of which shape they were"
    if _digits(known.abs().max()) > max(map(_digits_of_shape, said.shapes)):
        return "numbers of more digits than when it was permitted"
    own = Cells(numbers)
    held = identifiers_in(own)
    return held[0] if held else problem_of_numbers(own, around)


def _digits(number: float) -> int:
    return len(str(int(number))) if pd.notna(number) and number < _HUGE else 1


def _digits_of_shape(text: str) -> int:
    return max((len(run) for run in re.findall(r"9+", text)), default=0)
