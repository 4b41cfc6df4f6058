"""Each claim of a report beside the truth, and beside what these data can let anybody know."""

from __future__ import annotations

from collections.abc import Iterator

from analysis.lessons.capstone.claims import Claims, Count
from analysis.lessons.capstone.knowable import Knowable
from analysis.lessons.capstone.marking_difference import mark_estimate, mark_verdict
from analysis.lessons.capstone.marks import Grade, Mark
from analysis.lessons.capstone.study import KINDS, WEEK, Allocation
from analysis.lessons.capstone.unseen import UnseenCohort

#: How many patients counts of the same patients may lie apart. Where more were left out: what part must be counted, and how
#: far its share may lie from that of all, in standard errors of a part drawn by chance (design choices).
_PATIENTS_OFF, _FEWEST, _STANDARD_ERRORS = 2, 0.6, 3.0


def mark_claims(claims: Claims, made: UnseenCohort) -> list[Mark]:
    """Mark every claim of a report.

    Parameters
    ----------
    claims : Claims
        Of the report.
    made : UnseenCohort
        The cohort with its truth.

    Returns
    -------
    list of Mark
        One for each question, one for each planted problem, and one for each problem that is claimed and not there.

    Examples
    --------
    >>> from analysis.lessons.capstone.unseen import unseen_cohort
    >>> {mark.grade for mark in mark_claims(Claims(), unseen_cohort(1))}
    {'missed'}
    """
    known = made.known
    return [
        *_problems(claims, made),
        _allocation(claims.allocation, made.allocation),
        _wording(claims, made.allocation),
        mark_verdict(claims, made.difference, known),
        mark_estimate(claims, made.difference, known),
        *(_improved(name, claims, known, made.shares[name]) for name in made.observed.protocols),
        _not_seen(claims.not_seen, known),
        _goes_with(claims, with_pain="drop-out with pain" in made.planted),
    ]


def _problems(claims: Claims, made: UnseenCohort) -> Iterator[Mark]:
    """Mark the planted problems one by one, then what is claimed beside them."""
    said = list(claims.problems or ())
    for kind, site in made.planted.items():
        where = f" at {site}" if site else ""
        named = [place for one, place in said if one == kind]
        truth = f"Planted{where}: {KINDS[kind]}."
        if site is None and named:
            yield Mark(f"Problem: {kind}", "named", "right", truth)
        elif site in named:
            yield Mark(f"Problem: {kind}", f"at {site}", "right", truth)
        elif named:
            yield Mark(
                f"Problem: {kind}", ", ".join(f"at {one}" if one else "no site" for one in named), "wrong", truth
            )
        else:
            yield Mark(f"Problem: {kind}", "-" if claims.problems is None else "not named", "missed", truth)
    for kind, site in said:
        where, planted_at = f"at {site}" if site else "named", made.planted.get(kind)
        if kind not in made.planted:
            yield Mark(f"Problem: {kind}", where, "wrong", "No such problem was planted.")
        elif planted_at not in (None, site) and (kind, planted_at) in said:
            yield Mark(f"Problem: {kind}", where, "wrong", f"It was planted at {planted_at} alone.")


def _allocation(said: Allocation | None, truth: Allocation) -> Mark:
    why = "The page of the study says that a lot decided." if truth == "by lot" else (
        "The page of the study says that the therapist chose."
    )  # fmt: skip
    return Mark(
        "How protocols were given",
        said or "-",
        "missed" if said is None else "right" if said == truth else "wrong",
        why,
    )


def _wording(claims: Claims, truth: Allocation) -> Mark:
    name, said = "The word for the difference", claims.wording
    if said is None:
        return Mark(name, "-", "missed", "Say whether the difference may be called an effect.")
    if said == "association":
        return Mark(name, said, "right", "An association claims no cause."
                    + (" Here a lot decided, so effect would be allowed." if truth == "by lot" else ""))  # fmt: skip
    if truth == "by lot":
        return Mark(
            name, said, "right", "A lot decided, so a difference between the groups is due to protocol or chance."
        )
    return Mark(
        name, said, "right but too strong",
        "Nobody drew lots: who got which protocol may itself have to do with recovery. Call it an association.",
    )  # fmt: skip


def _improved(protocol: str, claims: Claims, known: Knowable, share_of_all: float) -> Mark:
    """Mark the count of one protocol: its denominator first, then the share."""
    name = f"Improved, {protocol}"
    reached, seen = known.improved[protocol]
    data = (
        f"The data give {reached} of {seen} seen ({100 * reached / seen:.0f} %); of all {known.allocated[protocol]} it was "
        f"{100 * share_of_all:.0f} % in truth."
    )
    count = (claims.improved or {}).get(protocol)
    if count is None:
        return Mark(name, "-", "missed", data)
    said = _words(count, claims.of_whom)
    some, of = count
    if of is None or of == 0:
        return Mark(name, said, "missed", f"A count without its denominator is no share. {data}")
    if claims.of_whom is None:
        return Mark(name, said, "missed", f"The report does not say of whom. {data}")
    if claims.of_whom == "all patients":
        everyone = abs(of - known.allocated[protocol]) <= _PATIENTS_OFF
        if everyone and abs(some - reached) <= _PATIENTS_OFF:
            return Mark(name, said, "right", f"Patients not seen count as not improved: the smallest share. {data}")
        if not everyone and _near(some, of, reached, seen):
            return Mark(name, said, "right but too strong", f"This is a share of those seen, said of all. {data}")
        return Mark(name, said, "wrong", data)
    if _near(some, of, reached, seen):
        fewer = f" {seen - of} fewer than could be counted." if of < seen else ""
        return Mark(name, said, "right", f"{data}{fewer}")
    return Mark(name, said, "wrong", data)


def _near(some: int, of: int, reached: int, seen: int) -> bool:
    """Say whether a share is that of the data: of as many patients the same count, of fewer about the same share."""
    if abs(of - seen) <= _PATIENTS_OFF:
        return abs(some - reached) <= _PATIENTS_OFF
    share = reached / seen
    error = (share * (1 - share) * max(1 / of - 1 / seen, 0)) ** 0.5
    return _FEWEST * seen <= of < seen and abs(some / of - share) <= _STANDARD_ERRORS * error


def _not_seen(said: Count | None, known: Knowable) -> Mark:
    name = f"Not seen at week {WEEK}"
    truth = known.patients - known.seen
    data = f"The data give {truth} of {known.patients}."
    if said is None or said[1] is None:
        return Mark(name, _words(said, None) if said else "-", "missed", f"Say how many of how many. {data}")
    grade: Grade = "right" if said[1] and _near(said[0], said[1], truth, known.patients) else "wrong"
    return Mark(name, _words(said, None), grade, data)


def _goes_with(claims: Claims, *, with_pain: bool) -> Mark:
    name, said = "What staying away went with", claims.lost_goes_with
    truth = "Patients with more pain stayed away more often." if with_pain else (
        "Patients stayed away by chance alone; more pain among them would be chance. A report cannot know that, but it can say that "
        "nothing was found."
    )  # fmt: skip
    if said is None:
        return Mark(name, "-", "missed", truth)
    if with_pain:
        if said == "nothing found":
            return Mark(name, said, "missed", truth)
        return Mark(name, said, "right", truth) if said == "pain" else Mark(
            name, said, "wrong", f"{truth} Knees that hurt bend less, so flexion goes along with it."
        )  # fmt: skip
    return Mark(name, said, "right" if said == "nothing found" else "wrong", truth)


def _words(count: Count | None, of_whom: str | None) -> str:
    if count is None:
        return "-"
    some, of = count
    return f"{some}" if of is None else f"{some} of {of}{f', of {of_whom}' if of_whom else ''}"
