"""A mark: one claim, what was said, how it stands beside the truth, and why."""

from dataclasses import dataclass
from typing import Literal

Grade = Literal["right", "right but too strong", "wrong", "missed"]
GRADES: tuple[Grade, ...] = ("right", "right but too strong", "wrong", "missed")


@dataclass(frozen=True)
class Mark:
    """What is said of one claim.

    Parameters
    ----------
    claim : str
        What was asked.
    said : str
        What the report says; a dash where nothing.
    grade : {"right", "right but too strong", "wrong", "missed"}
        How it stands beside the truth. Missed: it was there to be seen, and the report does not say it.
    why : str
        With the number that it was compared with.

    Examples
    --------
    >>> print(Mark("wording", "effect", "right", "A lot decided."))
    wording: effect. Right. A lot decided.
    """

    claim: str
    said: str
    grade: Grade
    why: str

    def __str__(self) -> str:
        return f"{self.claim}: {self.said}. {self.grade.capitalize()}. {self.why}"
