"""What is looked at: one picture of one measure, of all patients or of some."""

from dataclasses import dataclass
from typing import Literal

from analysis.outcomes.thresholds.chosen_threshold import Criterion

Picture = Literal["curves", "differences", "responders", "one patient", "last seen"]


@dataclass(frozen=True)
class View:
    """A picture of a cohort, as it was asked for.

    Parameters
    ----------
    measure : str
        A stored or derived measure.
    picture : {"curves", "differences", "responders", "one patient", "last seen"}
        What is drawn.
    limb : str, optional
        The limb; by default the one that the measure is compared by.
    week : float, optional
        Week after the start; by default that of the curves.
    protocols : tuple of str
        Protocols looked at; all where none is named.
    by, group : str, optional
        Characteristic of the patients ("sex", "age_years 30") and the group that is looked at.
    criterion : {"improvement", "percent", "state"}
        What a responder has reached.
    threshold : float, optional
        What there is to reach; by default that of the catalogue, for an improvement.
    patient : str, optional
        Who is looked at in the picture of one patient.

    Examples
    --------
    >>> View("pain", picture="responders", week=26.0).threshold is None
    True
    """

    measure: str
    picture: Picture = "curves"
    limb: str | None = None
    week: float | None = None
    protocols: tuple[str, ...] = ()
    by: str | None = None
    group: str | None = None
    criterion: Criterion = "improvement"
    threshold: float | None = None
    patient: str | None = None
