"""The study of the capstone as a resident is told it: what is measured, when, and which difference would matter."""

from __future__ import annotations

from typing import Literal

MEASURE, LIMB, WEEK, UNIT = "knee_flexion", "involved", 26, "degrees"
#: A patient's gain that counts as improved: the threshold of the catalogue for knee flexion.
GAIN = 10.0
#: The mean difference between protocols that the invented team agreed on beforehand (design choice).
MATTERS = 5.0
REFERENCE, NEW = "exercise only", "home stimulation"
PATIENTS = 240
SITES = ("site A", "site B", "site C", "site D")

Allocation = Literal["by lot", "not by lot"]
Kind = Literal["no baseline", "other scale", "entered twice", "limbs swapped", "rounded", "drop-out with pain"]

#: What each problem is, as a resident may name it.
KINDS: dict[Kind, str] = {
    "no baseline": "no knee flexion was measured before surgery",
    "other scale": "knee flexion was recorded as the angle between thigh and leg, where straight is 180",
    "entered twice": "some patients were entered twice, under two identifiers",
    "limbs swapped": "quadriceps torque of the two limbs was swapped",
    "rounded": "knee flexion was rounded to whole tens",
    "drop-out with pain": "patients with more pain stayed away more often",
}
#: A straight knee where flexion is recorded as the angle between thigh and leg.
STRAIGHT = 180.0

_ALLOCATED: dict[Allocation, str] = {
    "by lot": "In every site a lot decided which patient got which protocol.",
    "not by lot": "In every site the therapist chose the protocol for each patient. Nobody drew lots.",
}


def study_page(allocation: Allocation, seed: int) -> str:
    """Give the study in words, as a Markdown page: all that was known before the data.

    Examples
    --------
    >>> study_page("by lot", 7).splitlines()[0]
    '# The study'
    """
    return f"""# The study

{PATIENTS} patients had a knee replaced, at {len(SITES)} sites. Two home programmes were compared: "{REFERENCE}" and "{NEW}".

- {_ALLOCATED[allocation]}
- Knee flexion of the operated knee was measured before surgery (week 0) and at weeks 2, 4, 8, 12, 26 and 52. Straight is 0.
- The question named beforehand: how far do the protocols differ in flexion at week {WEEK}?
- The team agreed beforehand that a mean difference of {MATTERS:g} degrees or more would matter.
- A patient counts as improved who gained at least {GAIN:g} degrees from before surgery to week {WEEK}.
- Pain was rated from 0 (none) to 10. Quadriceps torque was measured on both limbs.

Three things went wrong with these data. Your report should find them.

All patients are invented (seed {seed}). Nothing here tells how to treat a patient; that is for the treating clinician.
"""
