"""What a cohort brings along beside the rows of its patients: its measures, and the counts of its flow.

Numbers stay, words are those of the catalogue or of the trade, or permitted.
"""

from __future__ import annotations

import re
from collections.abc import Collection
from dataclasses import replace

import pandas as pd

from analysis.cohort.catalogue import load_catalogue
from analysis.cohort.deidentification.judge import identifiers_in
from analysis.cohort.deidentification.report import WITHHELD
from analysis.cohort.findings import FIRST_ROW
from analysis.cohort.measures import Measure, Measures
from analysis.cohort.recognition.cells import Cells
from analysis.cohort.recognition.number_rules import whole_and_own
from analysis.cohort.recognition.trade_words import is_known_name, plain_letters
from analysis.cohort.tables import EARLY_STEPS, PROTOCOL_STEPS, TABLES
from analysis.counted import counted, form
from analysis.errors import DeidentificationError

#: Column of the flow with words of whoever did the study.
REASON = "reason"
#: No measure of a knee or of a score has values beyond (design choice).
_LOWEST, _HIGHEST = -1_000.0, 5_000.0
#: Whole numbers from here on, different in nearly every patient, may number records (design choice).
_LONG = 1_000.0
#: Signs that stand around a word and are no part of it.
_SIGNS = ".,;:!?()[]{}<>'\"/\\|#*"


def harmless_measures(measures: Measures, visits: pd.DataFrame | None) -> Measures:
    """Give the measures that the visits have: those of the catalogue as it has them, others without texts of their own.

    Raises
    ------
    DeidentificationError
        The name of a measure is not made of words of the trade, or its values could be numbers of records.
    """
    catalogue = load_catalogue()
    if visits is None:
        return catalogue
    used = set(visits["measure"].dropna().astype("str"))
    answer = list(catalogue.values())
    for name, measure in measures.items():
        if name in used and measure != catalogue_measure(catalogue, name):
            answer.append(_bare(measure, catalogue_measure(catalogue, name)))
            _refuse_records(name, visits[visits["measure"].astype("str") == name])
    for name in used - set(measures):
        raise _refused(name, "is not described")
    return Measures(answer)


def catalogue_measure(catalogue: Measures, name: str) -> Measure | None:
    """Give the measure as the catalogue has it; None where it has none."""
    return catalogue[name] if name in catalogue else None  # noqa: SIM401 - its errors are its own


def _bare(measure: Measure, known: Measure | None) -> Measure:
    if known is not None:
        texts = {"label": known.label, "description": known.description, "thresholds": known.thresholds,
                 "mix_ups": known.mix_ups, "derived_from": known.derived_from, "unit": known.unit}  # fmt: skip
        return replace(measure, **texts)  # type: ignore[arg-type]
    if not is_known_name(measure.name):
        raise _refused(measure.name, "has a name that is not made of words of the trade")
    unit = (
        measure.unit
        if plain_letters(measure.unit) and len(measure.unit) <= 12 and is_known_name(measure.unit)
        else "units"
    )
    label = measure.name.replace("_", " ").capitalize()
    limbs = tuple(limb for limb in measure.limbs if limb in ("involved", "uninvolved", "none")) or ("none",)
    return replace(measure, label=label, unit=unit, description="", thresholds=(), mix_ups=(), limbs=limbs)


def _refuse_records(name: str, rows: pd.DataFrame) -> None:
    cells = Cells(pd.to_numeric(rows["value"], errors="coerce"))
    numbers = cells.row_numbers.dropna()
    long = bool((numbers.abs() >= _LONG).any()) and whole_and_own(cells, rows["patient_id"])
    if long or not numbers.between(_LOWEST, _HIGHEST).all():
        raise _refused(name, "has values that could be numbers of records")


def _refused(name: str, problem: str) -> DeidentificationError:
    return DeidentificationError(
        f"A measure of the cohort {problem}.",
        where=f"measure {name}",
        what_to_do="Rename or leave it out in the map, import the source again, and de-identify that.",
    )


def _refuse_patients(reasons: pd.Series, patients: Collection[str]) -> None:
    """Refuse reasons in which the identifier of a patient stands as a word of its own, whatever its capitals."""
    known = {" ".join(str(one).casefold().split()) for one in patients}
    longest = max((len(one.split()) for one in known), default=0)
    held = [place for place, reason in reasons.dropna().items() if _words(str(reason), longest) & known]
    if held:
        rows = [int(str(place)) + FIRST_ROW for place in held]
        raise DeidentificationError(
            f"{counted(len(rows), 'reason')} of the flow {form(len(rows), 'holds', 'hold')} the identifier of a patient, and cannot be kept.",
            where=f"table flow, column {REASON}, {form(len(rows), 'row')} {', '.join(map(str, rows))}",
            what_to_do="Write there what happened, without the identifier; a number that only looks like one write as a word.",
        )


def _words(text: str, most: int) -> set[str]:
    """Give the words of a text, with and without the signs in and around them, and up to so many beside each other."""
    whole = text.casefold().split()
    bare = [word.strip(_SIGNS) for word in whole]
    runs = {
        " ".join(words[start : start + n])
        for words in (whole, bare)
        for n in range(1, most + 1)
        for start in range(len(words) - n + 1)
    }
    return runs | set(re.findall(r"\w+", text.casefold()))


def harmless_flow(
    flow: pd.DataFrame, protocols: Collection[str], patients: Collection[str] = (), *, permitted: bool
) -> tuple[pd.DataFrame, list[tuple[object, ...]]]:
    """Give the flow without what nobody permitted, and a row of the report for each column that does not stay as it was.

    Cells are texts. ``protocols`` are those that the patients have afterwards, ``patients`` their identifiers before. Reasons that
    nobody ``permitted`` go, and the counts of a step are summed; numbers stay whatever their size: whoever did the study gives
    them out as counts.

    Raises
    ------
    DeidentificationError
        A step or a protocol is not a known one, reasons that were permitted look like identifiers or hold one of a patient, or
        a row without a reason stands beside rows with reasons.
    """
    known = [column.name for column in TABLES["flow"].columns if column.name in flow]
    answer = flow[known].copy()
    rows: list[tuple[object, ...]] = [
        ("flow", f"column {place}", "", "nothing that is known", "left out", int(flow[name].notna().sum()), "withhold")
        for place, name in enumerate(flow.columns, start=1)
        if name not in known
    ]
    for name, words in (("step", (*EARLY_STEPS, *PROTOCOL_STEPS)), ("protocol", protocols)):
        if name in answer and not answer[name].dropna().astype("str").isin(list(words)).all():
            raise DeidentificationError(
                f"The flow has a {name} that is not a known one.",
                where=f"table flow, column {name}",
                what_to_do=f"Use only: {', '.join(words)}.",
            )
    if REASON not in answer or not answer[REASON].notna().any():
        return answer, rows
    if permitted:
        if held := identifiers_in(Cells(answer[REASON])):
            raise DeidentificationError(
                f"The reasons of the flow cannot be kept: they hold {held[0]}.",
                where=f"table flow, column {REASON}",
                what_to_do="Write them as a few words that tell nothing of a person or a place.",
            )
        _refuse_patients(answer[REASON], patients)
        return answer, rows
    n = int(answer[REASON].notna().sum())
    rows.append(("flow", REASON, "", "texts", f"{WITHHELD}; the counts of each step are summed", n, "withhold"))
    by = [name for name in known if name not in (REASON, "patients")]
    told = answer.assign(told=answer[REASON].notna()).groupby(by, dropna=False)["told"].transform("any")
    if (told & answer[REASON].isna()).any():
        raise DeidentificationError(
            "The flow has a row without a reason beside rows with reasons, so its counts cannot be summed.",
            where=f"table flow, column {REASON}",
            what_to_do="Leave the row out where it is their sum; else write as its reason that none is known.",
        )
    numbers = answer.assign(patients=pd.to_numeric(answer["patients"], errors="coerce"))
    summed = numbers.groupby(by, dropna=False, sort=False)["patients"].sum(min_count=1).reset_index()
    return summed.assign(**{REASON: None})[known], rows
