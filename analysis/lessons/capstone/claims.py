"""What a report claims: a few answers in a closed vocabulary, kept in one file beside the notebook."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, fields, replace
from numbers import Integral, Real
from pathlib import Path
from typing import Any, Literal, get_args

from analysis.cohort.files.settings_files import read_json
from analysis.errors import ReportError, check_choice
from analysis.lessons.capstone.study import KINDS, Allocation, Kind
from analysis.lessons.feedback import NotAnsweredYet

FILE_NAME, VERSION = "claims.json", 1
#: A problem of own data that has no name here.
SOMETHING_ELSE = "something else"

Wording = Literal["effect", "association"]
Verdict = Literal["no difference shown", "no difference that matters", "a difference", "a difference that matters"]
OfWhom = Literal["patients seen", "all patients"]
GoesWith = Literal["pain", "earlier values", "nothing found"]
#: A count and what it is out of; None where the report does not say.
Count = tuple[int, int | None]

#: What each claim is, as a learner is asked for it.
QUESTIONS = {
    "problems": "Which problems have the data, and at which site?",
    "allocation": "How were the protocols given to the patients?",
    "wording": "Which word does your report use for the difference?",
    "verdict": "What do the data say about the difference?",
    "gained_more": "Which protocol gained more?",
    "estimate": "How large is the difference?",
    "interval": "Which 95 % interval has the difference?",
    "improved": "How many patients improved, of how many, by protocol?",
    "of_whom": "Of whom are these shares?",
    "not_seen": "How many patients were not seen at the week, of how many?",
    "lost_goes_with": "What did staying away go with?",
}


@dataclass(frozen=True)
class Claims:
    """What a report claims; None where it says nothing.

    Parameters
    ----------
    problems : tuple of (kind, site) or None
        Problems found; the site is None where there is none in particular. Empty where the report says that there are none.
    allocation : {"by lot", "not by lot"} or None
        How the protocols were given.
    wording : {"effect", "association"} or None
        The word used for the difference.
    verdict : str or None
        One of :data:`Verdict`.
    gained_more : str or None
        The protocol that gained more, where the verdict is a difference.
    estimate : float or None
        New protocol minus reference, in the unit of the measure.
    interval : tuple of float or None
        Its 95 % interval, from and to.
    improved : dict of str to (int, int or None)
        By protocol those who improved, and of how many.
    of_whom : {"patients seen", "all patients"} or None
        Of whom the shares are said to be.
    not_seen : tuple of (int, int or None) or None
        Patients not seen at the week, and of how many.
    lost_goes_with : {"pain", "earlier values", "nothing found"} or None
        What staying away went with: pain, earlier values of the measure itself, or nothing that was found.

    Examples
    --------
    >>> Claims(verdict="no difference shown").missing()[:2]
    ['problems', 'allocation']
    """

    problems: tuple[tuple[Kind, str | None], ...] | None = None
    allocation: Allocation | None = None
    wording: Wording | None = None
    verdict: Verdict | None = None
    gained_more: str | None = None
    estimate: float | None = None
    interval: tuple[float, float] | None = None
    improved: Mapping[str, Count] | None = None
    of_whom: OfWhom | None = None
    not_seen: Count | None = None
    lost_goes_with: GoesWith | None = None

    def missing(self) -> list[str]:
        """Name the claims that are not made; which protocol gained more is only asked for where there is a difference."""
        needed = [one.name for one in fields(self) if getattr(self, one.name) is None]
        if self.verdict is None or self.verdict.startswith("no"):
            needed = [name for name in needed if name != "gained_more"]
        return needed


def with_claims(claims: Claims, given: Mapping[str, Any], protocols: Sequence[str]) -> Claims:
    """Add claims, each checked.

    Parameters
    ----------
    claims : Claims
        Claims made so far.
    given : mapping
        New ones, by name; each replaces an earlier one.
    protocols : sequence of str
        Protocols of the cohort, the reference first.

    Returns
    -------
    Claims
        All of them.

    Raises
    ------
    NotAnsweredYet
        The three dots are still there.
    ReportError
        A claim is not known, none of its words, or impossible.

    Examples
    --------
    >>> with_claims(Claims(), {"estimate": 2, "interval": (-1, 5)}, ["usual", "new"]).interval
    (-1.0, 5.0)
    """
    checked: dict[str, Any] = {}
    for name, value in given.items():
        check_choice(name, QUESTIONS, "claim", error=ReportError, where="claim")
        if _has_dots(value):
            raise NotAnsweredYet(QUESTIONS[name])
        checked[name] = None if value is None else _CHECKS[name](name, value, protocols)
    made = replace(claims, **checked)
    if made.estimate is not None and made.interval is not None:
        low, high = made.interval
        if not low <= made.estimate <= high:
            raise _impossible(
                f"The estimate {made.estimate:g} lies outside its interval, {low:g} to {high:g}.", "estimate"
            )
    return made


def write_claims(claims: Claims, folder: Path, seed: int | None) -> Path:
    """Write the claims to their file, with the seed of the cohort that they are of; None for own data.

    Raises
    ------
    ReportError
        The file cannot be written.
    """
    path = folder / FILE_NAME
    text = json.dumps({"kneecurve_claims": VERSION, "seed": seed, "claims": asdict(claims)}, indent=1)
    try:
        path.write_text(text + "\n", encoding="utf-8")
    except OSError as error:
        raise ReportError(
            f"The claims cannot be written: {error.strerror or error}.",
            where=str(path),
            what_to_do="Move the capstone to a folder that you may write to.",
        ) from error
    return path


def read_claims(folder: Path, protocols: Sequence[str], seed: int | None) -> Claims:
    """Read the claims of a report; none where there is no file yet.

    Raises
    ------
    ReportError
        The file is of another version or of another cohort, cannot be read, or holds what no report can claim.
    """
    path = folder / FILE_NAME
    if not path.exists():
        return Claims()
    try:
        held = read_json(path)
        version, of, claims = held["kneecurve_claims"], held["seed"], dict(held["claims"])
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise ReportError(
            "The file with the claims cannot be read.",
            where=str(path),
            what_to_do="Move it away and run the notebook again; it writes a new one.",
        ) from error
    if version != VERSION:
        raise ReportError(
            f"The claims are of version {version!r}; this version of the kit reads version {VERSION}.",
            where=str(path),
            what_to_do="Run the notebook again with this version of the kit.",
        )
    if of != seed:
        raise ReportError(
            f"The claims are of another cohort: {_named(of)}, and this is {_named(seed)}.",
            where=str(path),
            what_to_do="Move the file away and run the notebook again; it writes a new one.",
        )
    return with_claims(Claims(), claims, protocols)


def _named(seed: object) -> str:
    return "own data" if seed is None else f"the one of seed {seed}"


def _has_dots(value: Any) -> bool:
    """Say whether the three dots of the template still stand anywhere in an answer."""
    inside = value.values() if isinstance(value, Mapping) else value if isinstance(value, (tuple, list)) else ()
    return value is Ellipsis or any(_has_dots(one) for one in inside)


def _impossible(what: str, name: str) -> ReportError:
    return ReportError(what, where=f"claim {name!r}", what_to_do=f"{QUESTIONS[name]} Look at the number again.")


def _chosen(name: str, value: Any, choices: Sequence[str]) -> str:
    check_choice(value, choices, f"answer to {QUESTIONS[name]!r},", error=ReportError, where=f"claim {name!r}")
    return str(value)


def _number(name: str, value: Any, _: Sequence[str]) -> float:
    if isinstance(value, bool) or not isinstance(value, Real) or not math.isfinite(float(value)):
        raise _impossible(f"A number is asked for, not {value!r}.", name)
    return float(value)


def _interval(name: str, value: Any, protocols: Sequence[str]) -> tuple[float, float]:
    if not isinstance(value, (tuple, list)) or len(value) != 2:
        raise _impossible(f"Two numbers are asked for, as (from, to), not {value!r}.", name)
    low, high = (_number(name, one, protocols) for one in value)
    if low > high:
        raise _impossible(f"The interval goes from {low:g} down to {high:g}.", name)
    return low, high


def _count(name: str, value: Any) -> Count:
    pair = value if isinstance(value, (tuple, list)) else (value, None)
    if len(pair) != 2 or not all(_is_count(one) for one in pair if one is not None) or pair[0] is None:
        raise _impossible(f"Two whole numbers are asked for, as (patients, of), not {value!r}.", name)
    some, of = int(pair[0]), None if pair[1] is None else int(pair[1])
    if of is not None and some > of:
        raise _impossible(f"{some} of {of} cannot be.", name)
    return some, of


def _is_count(value: Any) -> bool:
    return isinstance(value, Integral) and not isinstance(value, bool) and int(value) >= 0


def _improved(name: str, value: Any, protocols: Sequence[str]) -> dict[str, Count]:
    if not isinstance(value, Mapping):
        raise _impossible(f"By protocol is asked for, as {{'{protocols[0]}': (5, 50)}}, not {value!r}.", name)
    return {_chosen(name, one, protocols): _count(name, count) for one, count in value.items()}


def _problems(name: str, value: Any, _: Sequence[str]) -> tuple[tuple[str, str | None], ...]:
    if not isinstance(value, (tuple, list)) or not all(
        isinstance(one, (tuple, list)) and len(one) == 2 for one in value
    ):
        raise _impossible(f"Pairs are asked for, as [('rounded', 'site A')], not {value!r}.", name)
    pairs = [
        (_chosen(name, kind, [*KINDS, SOMETHING_ELSE]), None if site is None else str(site)) for kind, site in value
    ]
    return tuple(dict.fromkeys(pairs))


_CHECKS: dict[str, Any] = {
    "problems": _problems,
    "allocation": lambda name, value, _: _chosen(name, value, get_args(Allocation)),
    "wording": lambda name, value, _: _chosen(name, value, get_args(Wording)),
    "verdict": lambda name, value, _: _chosen(name, value, get_args(Verdict)),
    "gained_more": _chosen,
    "estimate": _number,
    "interval": _interval,
    "improved": _improved,
    "of_whom": lambda name, value, _: _chosen(name, value, get_args(OfWhom)),
    "not_seen": lambda name, value, _: _count(name, value),
    "lost_goes_with": lambda name, value, _: _chosen(name, value, get_args(GoesWith)),
}
