"""Exceptions and warnings of the kit; every message says what happened, where, and what to do."""

from collections.abc import Iterable, Sequence

from analysis.foreign_text import visible, visible_lines

__all__ = [
    "BoundaryWarning",
    "CohortError",
    "CohortWarning",
    "ConvergenceWarning",
    "DeidentificationError",
    "DesignWarning",
    "DistributionWarning",
    "InferenceWarning",
    "KneecurveError",
    "KneecurveWarning",
    "ModelError",
    "ReportError",
    "check_choice",
    "explain",
]


class KneecurveError(Exception):
    """An error that the kit explains.

    Parameters
    ----------
    what : str or sequence of str
        What is wrong, one sentence; or several lines.
    where : str or sequence of str
        The file, table, column, rows or patients concerned; empty where ``what`` says it all.
    what_to_do : str or sequence of str
        The next step for the user.

    Notes
    -----
    Names and cells come from elsewhere: control characters are shown in place of being sent to the terminal, line ends too,
    so that only a sequence makes lines.

    Examples
    --------
    >>> print(KneecurveError("The file is empty.", where="visits.csv", what_to_do="Export it again."))
    The file is empty.
      where: visits.csv
      what to do: Export it again.
    """

    def __init__(
        self, what: str | Sequence[str], *, where: str | Sequence[str] = "", what_to_do: str | Sequence[str] = ""
    ) -> None:
        self.what = _shown(what, "\n")
        self.where = _shown(where, "\n    ")
        self.what_to_do = _shown(what_to_do, "\n    ")
        super().__init__(explain(self.what, self.where, self.what_to_do))

    def __str__(self) -> str:
        return explain(self.what, self.where, self.what_to_do)


class CohortError(KneecurveError):
    """A cohort, or a file that should become one, cannot be used."""


class DeidentificationError(CohortError):
    """A cohort still holds something that could identify a patient."""


class ModelError(KneecurveError):
    """A model cannot be fitted to these data, or was asked for something it cannot give."""


class ReportError(KneecurveError):
    """A report cannot be made."""


class KneecurveWarning(UserWarning):
    """A result that needs care when it is read; control characters of names in it are shown, not sent."""

    def __init__(self, *parts: object) -> None:
        super().__init__(*(visible_lines(part) if isinstance(part, str) else part for part in parts))


class CohortWarning(KneecurveWarning):
    """The cohort can be used, but something in it needs a look."""


class BoundaryWarning(KneecurveWarning):
    """A variance was estimated at zero or a correlation at one: a valid answer, on the boundary."""


class ConvergenceWarning(KneecurveWarning):
    """The optimiser stopped before it met its tolerance; the numbers are not the optimum."""


class InferenceWarning(KneecurveWarning):
    """Estimates stand without standard errors or p values, since these could not be computed; the fit's notes say why."""


class DesignWarning(KneecurveWarning):
    """A column of the design cannot be estimated and was dropped."""


class DistributionWarning(KneecurveWarning):
    """Data do not follow the distribution that a result leans on."""


def explain(what: str, where: str = "", what_to_do: str = "") -> str:
    r"""Join the parts of a message, one line each.

    Parameters
    ----------
    what, where, what_to_do : str
        The parts; empty ones are left out.

    Returns
    -------
    str
        The message shown to the user.

    Examples
    --------
    >>> explain("Week is missing.", "visits.csv, row 4")
    'Week is missing.\n  where: visits.csv, row 4'
    """
    lines = [what]
    if where:
        lines.append(f"  where: {where}")
    if what_to_do:
        lines.append(f"  what to do: {what_to_do}")
    return "\n".join(lines)


def check_choice(
    value: object, choices: Iterable[object], what: str, *, error: type[KneecurveError], where: str = ""
) -> None:
    """Refuse a choice that is none of those there are.

    Parameters
    ----------
    value : object
        What was chosen.
    choices : iterable
        All there are.
    what : str
        What they are called.
    error : type
        The error raised.
    where : str
        As in :class:`KneecurveError`.

    Examples
    --------
    >>> check_choice("late", ("earlier", "later"), "rule", error=ModelError)
    Traceback (most recent call last):
    ...
    analysis.errors.ModelError: There is no rule 'late'.
      what to do: Use one of: earlier, later.
    """
    known = list(choices)
    if value not in known:
        raise error(
            f"There is no {what} {value!r}.", where=where, what_to_do=f"Use one of: {', '.join(map(str, known))}."
        )


def _shown(part: str | Sequence[str], between: str) -> str:
    return visible(part) if isinstance(part, str) else between.join(map(visible, part))
