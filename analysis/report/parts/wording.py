"""Sentences that every report says alike: for whom it is, who decides, that a cohort is invented; protocols named or counted."""

from collections.abc import Sequence

from analysis.report.parts import numbers

FOR_GROUPS = "This report describes groups of patients and recommends nothing for a patient."
DEFERS = (
    "What is right for a patient is decided by the treating clinician, within the instructions of the device in use, "
    "local law, and what the ethics board has approved."
)
INVENTED = "Invented cohort: no number in this report is a finding about any treatment."
NO_HARMS_RECORDED = "Harms were not recorded, so nothing is said of them."

#: Letters of the title of a slide that stay within two lines.
TITLE_LETTERS = 84
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


def counts_by_protocol(counts: Sequence[tuple[str, int, int]], *, room: float) -> str:
    """Name protocols with their counts, or where that is longer than the room of a title, the range of the shares.

    A count is a protocol with its part and whole; ``room`` is letters.

    Examples
    --------
    >>> counts_by_protocol([("usual", 9, 30), ("early", 6, 30)], room=40)
    'usual 9/30, early 6/30'
    >>> counts_by_protocol([("usual", 9, 30), ("early", 6, 30)], room=20)
    '20 to 30 % of the patients of a protocol'
    """
    said = ", ".join(f"{name} {numbers.fraction(part, of)}" for name, part, of in counts)
    if len(said) <= room:
        return said
    return f"{numbers.share_range([part / of for _, part, of in counts if of])} of the patients of a protocol"


def first_cautions(said: Sequence[str]) -> tuple[str, ...]:
    """Choose what a slide holds of cautions, so that it is read: four, the standing ones, then the others in their order.

    Examples
    --------
    >>> first_cautions(["Few patients.", FOR_GROUPS, DEFERS, "Missing.", "Other."])[2:]
    ('Few patients.', 'Missing.')
    """
    standing = [text for text in said if text in (INVENTED, FOR_GROUPS, DEFERS)]
    return tuple([*standing, *(text for text in said if text not in standing)][:4])
