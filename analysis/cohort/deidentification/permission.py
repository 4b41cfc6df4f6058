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
    what_it_seems,
)
from analysis.cohort.deidentification.known_days import interval_gives_back
from analysis.cohort.deidentification.review import ColumnReview
from analysis.cohort.deidentification.transforms import is_us_zip_code
from analysis.cohort.recognition.known_columns import MOST_LABELS, age_unit
from analysis.cohort.recognition.trade_words import MISSING_MARKS
from analysis.errors import DeidentificationError


def permitted(judged: Judgement, said: ColumnReview | None, values: pd.Series, around: Surroundings) -> Judgement:
    """Give what is done with a column where a person decided on it; what was judged where nobody did.

    A column stays withheld where the cells are not what they were when it was permitted, where they hold an identifier
    that is recognised, or where they would give back a date.

    Raises
    ------
    DeidentificationError
        A code that may stay looks like an identifier, or more codes are listed than a column of labels has.
    """
    if said is None or said.decision is None or judged.act == "start":
        return judged
    act = said.decision
    if act == judged.act == "keep":
        return judged
    if act == "withhold" or (said.may_see == "inside" and around.level == "safe-harbor"):
        found = "decided by a person" if act == "withhold" else "for the organisation only, by a person's decision"
        return replace(judged, act="withhold", found=found)
    if act in ("codes", "group"):
        _refuse_codes(said)
        return replace(judged, act=act, found="labels that a person permitted", paragraph="")
    if act == "number":
        return replace(judged, act=act, found="labels, numbered by a person's decision", paragraph="")
    if act == "weeks" or (said.seems == "dates" and around.level == "safe-harbor"):
        return judge_dates(values, judged.column, around)
    if act == "zip3":
        fits = is_us_zip_code(values).all()
        return replace(
            judged, act="zip3" if fits else "withhold", found="ZIP codes" if fits else "cells that are no ZIP code"
        )
    if said.seems == "dates":
        return replace(judged, act="keep", found="dates, kept at the limited level by a person's decision")
    if problem := _problem_of_numbers(said, values, around):
        return replace(judged, act="withhold", found=problem)
    cap = act == "cap" or age_unit(judged.column) is not None
    return replace(
        judged, act="cap" if cap else "keep", found="numbers that a person permitted", paragraph=DATES if cap else ""
    )


def permission_by_name(judged: Judgement, values: pd.Series, around: Surroundings) -> ColumnReview:
    """Give the permission of a person who names a column to be kept, and nothing else, on the command line.

    Raises
    ------
    DeidentificationError
        The column holds texts, which never pass, or identifiers that are recognised.
    """
    seems = what_it_seems(values, around.n_patients)
    cells = [text.strip() for text in values.dropna().astype("str").unique()]
    held = identifiers_in(values) if around.level == "safe-harbor" or seems == "texts" else None
    if seems in ("texts", "codes of single patients") or held is not None:
        raise DeidentificationError(
            f"The column {judged.column!r} cannot be kept: it holds {held[0] if held else seems}.",
            where=f"column {judged.column}",
            what_to_do="Leave it out, or replace it in a copy of the source with a few codes.",
        )
    codes = tuple(sorted(cell for cell in cells if cell.casefold() not in MISSING_MARKS)) if seems == "labels" else ()
    act: Act = "codes" if codes else "keep"
    return ColumnReview("", judged.column, seems, "named to be kept", len(cells), (), act, withheld=False,
                        decision=act, codes=codes, may_see="anyone")  # fmt: skip


def _refuse_codes(said: ColumnReview) -> None:
    old = any(re.fullmatch(r"\D{0,2}(?:9[1-9]|1[01]\d)\s*\+", code) for code in said.codes)
    held = ("an age over 89", DATES) if old else identifiers_in(pd.Series(said.codes, dtype="str"))
    if held is not None or len(said.codes) > MOST_LABELS:
        problem = f"look like {held[0]}" if held is not None else f"are {len(said.codes)}, more than {MOST_LABELS}"
        raise DeidentificationError(
            f"The codes that may stay {problem}.",
            where=f"column {said.column}",
            what_to_do="List a few codes that tell nothing of a person or a place, or withhold the column.",
        )


def _problem_of_numbers(said: ColumnReview, values: pd.Series, around: Surroundings) -> str:
    seems = what_it_seems(values, around.n_patients)
    if said.seems == "numbers" and seems not in ("numbers", "nothing") and _share_of_texts(values) > 0.5:
        return "numbers when it was permitted, texts now"
    if said.shapes and _digits(tuple(values.dropna().astype("str"))) > _digits(said.shapes):
        return "numbers of more digits than when it was permitted"
    numbers = pd.to_numeric(values, errors="coerce")
    if held := identifiers_in(numbers):
        return held[0]
    if interval_gives_back(values, around.starts, around.patients):
        return "times to one and the same day: they would give back the start"
    return ""


def _share_of_texts(values: pd.Series) -> float:
    known = values.dropna().astype("str")
    return float((~known.str.contains(r"\d")).mean()) if len(known) else 0.0


def _digits(texts: tuple[str, ...]) -> int:
    """Give the longest run of digits before a decimal point; cells that are no number do not count."""
    found = (re.fullmatch(r"\s*[<>]?\s*[+-]?(\d+)(?:[.,]\d+)?\s*\S{0,4}", text) for text in texts)
    return max((len(one[1]) for one in found if one is not None), default=0)
