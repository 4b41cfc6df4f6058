"""An honest report, made from the observed data alone: for instructors, and to try the marking on."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

import pandas as pd

from analysis.cohort import Cohort, visit_frame
from analysis.lessons.capstone.claims import Claims, with_claims
from analysis.lessons.capstone.knowable import lost_and_seen, what_can_be_known
from analysis.lessons.capstone.mending import change_values, leave_out
from analysis.lessons.capstone.study import KINDS, MEASURE, STRAIGHT, WEEK, Allocation, Kind

Found = tuple[Kind, str | None]

#: Limits of what is called a problem (design choices): share of patients with a baseline at a site, median flexion in
#: degrees, share of whole tens (a tenth by chance), and how far the pain of the lost must differ, in standard errors.
_FEW_BASELINES, _STIFF, _TENS, _STANDARD_ERRORS = 0.5, 90.0, 0.6, 2.6


def find_problems(cohort: Cohort) -> list[Found]:
    """Look for each of the six problems, site by site.

    Parameters
    ----------
    cohort : Cohort
        The cohort as it came.

    Returns
    -------
    list of (kind, site)
        Those found; the site is None where there is none in particular.

    Examples
    --------
    >>> from analysis.lessons.capstone.unseen import unseen_cohort
    >>> made = unseen_cohort(1)
    >>> dict(find_problems(made.observed)) == dict(made.planted)
    True
    """
    flexion = visit_frame(cohort, MEASURE).dropna(subset=["value"])
    torque = visit_frame(cohort, "quadriceps_torque", "involved").merge(
        visit_frame(cohort, "quadriceps_torque", "uninvolved"), on=["patient_id", "week"], suffixes=("", "_other")
    )
    found: list[Found] = []
    for site in sorted(cohort.patients["site"].astype(str).unique()):
        here, limbs = flexion[flexion["site"] == site], torque[(torque["site"] == site) & torque["week"].between(1, 12)]
        with_baseline = here.groupby("patient_id")["baseline"].first().notna().mean()
        tests: dict[Kind, bool] = {
            "no baseline": bool(with_baseline < _FEW_BASELINES),
            "other scale": bool(here.loc[here["week"] >= 12, "value"].median() < _STIFF),
            "rounded": bool((here["value"] % 10 == 0).mean() > _TENS),
            "limbs swapped": bool((limbs["value"] - limbs["value_other"]).median() > 0),
            "entered twice": bool(_second_entries(cohort, site)),
        }
        found += [(kind, site) for kind in KINDS if tests.get(kind)]
    return found + ([("drop-out with pain", None)] if lost_goes_with_pain(mend(cohort, found)) else [])


def lost_goes_with_pain(cohort: Cohort) -> bool:
    """Say whether those not seen at the week had clearly more pain before than those seen.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> lost_goes_with_pain(generate_cohort("knee replacement", patients=120, seed=2).observed)
    False
    """
    frame = lost_and_seen(cohort, MEASURE, week=WEEK, of=["pain"], by=8).dropna(subset=["pain"])
    lost, seen = frame.loc[~frame["seen"], "pain"], frame.loc[frame["seen"], "pain"]
    error = (lost.var() / len(lost) + seen.var() / len(seen)) ** 0.5
    return bool((lost.mean() - seen.mean()) / error > _STANDARD_ERRORS)


def mend(cohort: Cohort, found: Sequence[Found]) -> Cohort:
    """Undo what can be undone: another scale is turned, second entries are left out.

    What is left: missing baselines and rounding cannot be undone; swapped limbs do no harm to knee flexion.
    """
    for kind, site in found:
        if kind == "other scale":
            cohort = change_values(cohort, MEASURE, times=-1, plus=STRAIGHT, site=site)
        elif kind == "entered twice":
            cohort = leave_out(cohort, _second_entries(cohort, str(site)))
    return cohort


def honest_claims(cohort: Cohort, allocation: Allocation) -> Claims:
    """Give what an honest report of the observed data claims.

    Parameters
    ----------
    cohort : Cohort
        The cohort as it came.
    allocation : {"by lot", "not by lot"}
        As the page of the study says.

    Returns
    -------
    Claims
        All of them.

    Examples
    --------
    >>> from analysis.lessons.capstone.unseen import unseen_cohort
    >>> made = unseen_cohort(1)
    >>> honest_claims(made.observed, made.allocation).missing()
    []
    """
    found = find_problems(cohort)
    known = what_can_be_known(mend(cohort, found))
    reference, new = cohort.protocols
    said = {
        "problems": found,
        "allocation": allocation,
        "wording": "effect" if allocation == "by lot" else "association",
        "verdict": known.verdict,
        "gained_more": (new if known.estimate > 0 else reference) if known.shows_a_difference else None,
        "estimate": round(known.estimate, 1),
        "interval": (round(known.lower, 1), round(known.upper, 1)),
        "improved": known.improved,
        "of_whom": "patients seen",
        "not_seen": (known.patients - known.seen, known.patients),
        "lost_goes_with": "pain" if ("drop-out with pain", None) in found else "nothing found",
    }
    return with_claims(Claims(), said, cohort.protocols)


def _second_entries(cohort: Cohort, site: str) -> list[str]:
    """Give the later of two identifiers under which all that is recorded is the same."""
    people = cohort.patients[cohort.patients["site"] == site].set_index("patient_id").astype(str)
    visits = cohort.visits[cohort.visits["patient_id"].isin(people.index)].sort_values(["week", "measure", "limb"])
    told: dict[str, list[object]] = defaultdict(list)
    for row in visits[["patient_id", "week", "measure", "limb", "value"]].itertuples(index=False):
        told[str(row[0])].append(tuple(row)[1:])
    whole = pd.Series({name: str((tuple(people.loc[name]), told[name])) for name in people.index}, dtype="str")
    return [str(name) for name in whole.index[whole.duplicated()]]
