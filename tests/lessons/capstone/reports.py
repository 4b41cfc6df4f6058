"""Reports on the unseen cohort that are wrong, each in a way of its own."""

from dataclasses import replace
from functools import cache

from analysis import visit_frame
from analysis.lessons.capstone.honest import honest_claims
from analysis.lessons.capstone.knowable import what_can_be_known
from analysis.lessons.capstone.marking import mark_claims
from analysis.lessons.capstone.mending import leave_out, patients_at
from analysis.lessons.capstone.unseen import unseen_cohort

REFERENCE, NEW = "exercise only", "home stimulation"
OTHER = {REFERENCE: NEW, NEW: REFERENCE, None: None}


@cache
def made_of(seed):
    """Make the cohort of a seed once for all tests."""
    return unseen_cohort(seed)


@cache
def honest(seed):
    made = made_of(seed)
    return honest_claims(made.observed, made.allocation)


def grades(claims, seed):
    """Give the grade of each claim by its name."""
    return {mark.claim: mark.grade for mark in mark_claims(claims, made_of(seed))}


def naive(seed):
    """Means of those who came, nothing mended or adjusted, taken for an effect that matters, without an interval."""
    made = made_of(seed)
    frame = visit_frame(made.observed, "knee_flexion").query("week == 26")
    means = frame.groupby("protocol", observed=True)["value"].mean()
    difference = round(float(means[NEW] - means[REFERENCE]), 1)
    return replace(
        honest(seed), wording="effect", verdict="a difference that matters", estimate=difference, interval=None,
        gained_more=NEW if difference > 0 else REFERENCE,
    )  # fmt: skip


def unsuspecting(seed):
    """No problem found, none mended."""
    made = made_of(seed)
    known = what_can_be_known(made.observed)
    return replace(
        honest(seed), problems=(), lost_goes_with="nothing found", improved=known.improved, estimate=known.estimate,
        interval=(known.lower, known.upper), not_seen=(known.patients - known.seen, known.patients),
    )  # fmt: skip


def everybody_improved(seed):
    claims = honest(seed)
    return replace(claims, improved={name: (of, of) for name, (_, of) in claims.improved.items()})


def without_denominators(seed):
    claims = honest(seed)
    return replace(claims, improved={name: (some, None) for name, (some, _) in claims.improved.items()})


def seen_said_of_all(seed):
    return replace(honest(seed), of_whom="all patients")


def reversed_sign(seed):
    claims = honest(seed)
    low, high = claims.interval
    return replace(
        claims, estimate=-claims.estimate, interval=(-high, -low), gained_more=OTHER[claims.gained_more],
    )  # fmt: skip


def leaving_out(seed):
    """Leave out the site of another scale in place of turning it; otherwise honest."""
    made = made_of(seed)
    site = made.planted["other scale"]
    mended = leave_out(made.mended, patients_at(made.mended, site))
    known, claims = what_can_be_known(mended), honest(seed)
    return replace(
        claims, verdict=known.verdict, estimate=known.estimate, interval=(known.lower, known.upper), improved=known.improved,
        gained_more=(NEW if known.estimate > 0 else REFERENCE) if known.shows_a_difference else None,
        not_seen=(known.patients - known.seen, known.patients),
    )  # fmt: skip


def never_shown(seed):
    return replace(honest(seed), verdict="no difference shown", gained_more=None)


def pain_is_planted(seed):
    return "drop-out with pain" in made_of(seed).planted
