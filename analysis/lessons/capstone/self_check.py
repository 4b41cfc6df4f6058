"""The self-check list: a question for each of the fifteen common errors of the lessons, for a report on own data."""

#: Number of the common error, lesson that treats it, and what to ask of a report.
QUESTIONS: tuple[tuple[int, int, str], ...] = (
    (1, 4, "Were patients chosen for a bad score? Then part of their gain is regression to the mean: who was compared with them?"),
    (2, 4, "Is the baseline adjusted for? A change score alone does not undo a difference at the start."),
    (3, 4, "Are the groups compared with one another? A p value within a group says nothing of the protocols."),
    (4, 1, "Is each index read with both of its parts? A limb symmetry index rises where the other limb weakens."),
    (5, 6, "Is it said how many were not seen, who they were, and what the analysis assumes of them?"),
    (6, 5, "Is it said which threshold is about noise (MDC) and which about importance (MIC)? Neither is for a difference of means."),
    (7, 5, "Does the mean difference with its interval stand before the shares of those who improved?"),
    (8, 5, "Is the source of the threshold named, and were its patients, their operation and their follow-up like yours?"),
    (9, 2, "Does the analysis know which visits belong to one patient? Is the number of patients given, not only that of visits?"),
    (10, 3, "Were visits taken at the week at which they happened, and does the report say which windows were used?"),
    (11, 3, "Does the curve fit? A straight line through a recovery that levels off promises too much at the end."),
    (12, 7, "Is adherence told as what goes with recovery, and not as its cause?"),
    (13, 1, "Was torque divided by body mass? Then does a change come from the torque or from the mass?"),
    (14, 1, "Is each error named in full: of a measurement, or of a mean?"),
    (15, 8, "Is a single change from quarter to quarter, or one site of many, taken for news? How many were looked at?"),
)  # fmt: skip

_BEFORE = (
    "Nobody knows the truth of your own data, so no command can mark this report. Go through the list with somebody who did "
    "not write it. A box that stays empty is a sentence that your report still needs. Some questions may not touch your "
    "report; then say so."
)
_AFTER = "The report describes groups. What to do for a patient is for the treating clinician."


def self_check_page() -> str:
    """Give the list as a Markdown page, with a box before each question.

    Examples
    --------
    >>> self_check_page().count("- [ ]")
    15
    """
    lines = [f"- [ ] {question} (error {number} of 15, lesson {lesson})" for number, lesson, question in QUESTIONS]
    return "\n".join(["# Self-check of your report", "", _BEFORE, "", *lines, "", _AFTER, ""])
