"""Sentences that every report says alike: for whom it is, who decides, that a cohort is invented; protocols named or counted."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from analysis.report.parts import numbers
from analysis.report.parts.passages import Passage

FOR_GROUPS = "This report describes groups of patients and recommends nothing for a patient."
DEFERS = (
    "What is right for a patient is decided by the treating clinician, within the instructions of the device in use, "
    "local law, and what the ethics board has approved."
)
INVENTED = "Invented cohort: no number in this report is a finding about any treatment."
NO_HARMS_RECORDED = "Harms were not recorded, so nothing is said of them."

#: Letters of the title of a slide that stay within two lines.
TITLE_LETTERS = 104
#: Doubts that In short tells; the others are counted, and stand elsewhere (design choice).
MOST_DOUBTS = 3
#: More protocols than this are counted, or named by the lowest and the highest.
MOST_LISTED = 4


def made_in_words(stamp: str) -> str:
    """Say when a report was made and what it is not for; the last line of every form, also of one patient's page.

    Examples
    --------
    >>> made_in_words("2026-01-01")
    'Made 2026-01-01 with kneecurve. It shows what was measured and recommends nothing for a patient.'
    """
    return f"Made {stamp} with kneecurve. It shows what was measured and recommends nothing for a patient."


def named_or_counted(said: Sequence[str], of: int) -> str:
    """Name protocols with what is said of each, or where there are many count them, ``of`` all that there are.

    Examples
    --------
    >>> named_or_counted(["early (9)", "late (7)"], 3), named_or_counted(["a"] * 5, 9), named_or_counted(["a"] * 9, 9)
    ('early (9) and late (7)', '5 of the 9 protocols', 'all 9 protocols')
    """
    if len(said) <= MOST_LISTED:
        return numbers.listed(list(said))
    return f"all {of} protocols" if len(said) == of else f"{len(said)} of the {of} protocols"


def counts_by_protocol(
    counts: Sequence[tuple[str, int, int]], *, room: float, end: Literal["most", "least"] = "most", whole: bool = True
) -> str:
    """Name protocols with their counts; where that is longer than the room, all patients and the protocol at one end.

    A count is a protocol with its part and whole; ``room`` is letters; ``whole`` says whether the patients of all protocols
    are counted where not all protocols are named. Where nothing fits, that count alone, or without it nothing, is said.

    Examples
    --------
    >>> counts = [("usual care", 9, 30), ("early motion", 6, 30), ("very late motion", 5, 30)]
    >>> counts_by_protocol(counts, room=60)
    'usual care 9/30, early motion 6/30, very late motion 5/30'
    >>> counts_by_protocol(counts, room=52)
    '20 of 90 patients, most often with usual care (9/30)'
    >>> counts_by_protocol(counts, room=40, end="least", whole=False)
    'least often with very late motion (5/30)'
    """
    every = ", ".join(f"{name} {numbers.fraction(part, of)}" for name, part, of in counts)
    patients = numbers.plural(sum(of for *_, of in counts), "patient")
    in_all = f"{numbers.count(sum(part for _, part, _ in counts))} of {patients}" if whole else ""
    order = sorted((one for one in counts if one[2]), key=lambda one: one[1] / one[2], reverse=end == "most")
    alone = len(order) > 1 and order[0][1] * order[1][2] != order[1][1] * order[0][2]
    at_end = f"{end} often with {order[0][0]} ({numbers.fraction(*order[0][1:])})" if alone else ""
    named = ", ".join(filter(None, (in_all, at_end)))
    return next((one for one in (every, named) if len(one) <= room), in_all)


#: Letters of a caution that stay on one line of a slide.
CAUTION_LETTERS = 76
_MOST_CAUTIONS = 4


@dataclass(frozen=True)
class Caution:
    """What a report must not be used for: in full, and in few words for a slide."""

    text: str
    short: str


def cautions_of(said: Sequence[Caution]) -> Passage:
    """Give the cautions as a passage; a slide has the standing ones and then the others in their order, four in all.

    Examples
    --------
    >>> few = Caution("Few patients: usual (9). Intervals are wide.", "Few patients: usual (9).")
    >>> cautions_of([few, DEFERRED]).points
    ('The treating clinician decides what is right for a patient.', 'Few patients: usual (9).')
    """
    standing = [one for one in said if one in (NO_FINDING, ABOUT_GROUPS, DEFERRED)]
    first = [*standing, *(one for one in said if one not in standing)][:_MOST_CAUTIONS]
    return Passage(tuple(one.text for one in said), "caution", points=tuple(one.short for one in first))


NO_FINDING = Caution(INVENTED, INVENTED)
ABOUT_GROUPS = Caution(FOR_GROUPS, "This report describes groups and recommends nothing for a patient.")
DEFERRED = Caution(DEFERS, "The treating clinician decides what is right for a patient.")
