"""Rules that a scenario must keep, so that a wrong parameter is found before a cohort is made from it."""

from __future__ import annotations

from collections.abc import Iterator

from analysis.cohort.tables import LATEST_WEEK
from analysis.errors import CohortError
from synthetic_cohort.scenarios.scenario import Scenario
from synthetic_cohort.scenarios.scenario_parts import Series

#: Digits after the point that a number of Python holds, beside one before it.
_MOST_DECIMALS = 15


def check_scenario(scenario: Scenario, where: str) -> None:
    """Refuse a scenario that cannot be generated, naming every problem; ``where`` it came from is for the message.

    Raises
    ------
    CohortError
        Some rule is broken.
    """
    problems = [*_of_design(scenario), *_of_series(scenario), *_of_parts(scenario)]
    if problems:
        shown = "; ".join(problems[:10]) + (f"; and {len(problems) - 10} more" if len(problems) > 10 else "")
        raise CohortError(
            f"The scenario has {len(problems)} problem{'s' if len(problems) > 1 else ''}: {shown}.",
            where=where,
            what_to_do="Correct the scenario.",
        )


def _of_design(scenario: Scenario) -> Iterator[str]:
    weeks = scenario.visit_weeks
    if not weeks or weeks[0] != 0 or list(weeks) != sorted(set(weeks)):
        yield "visit_weeks should rise from 0"
    for name in ("protocols", "sites"):
        labels = getattr(scenario, name)
        if not labels or len(set(labels)) != len(labels):
            yield f"{name} should be different labels, at least one"
    if scenario.reference not in scenario.protocols:
        yield f"the reference {scenario.reference!r} should be one of the protocols"
    if len(scenario.site_shares) != len(scenario.sites) or not _sums_to_one(scenario.site_shares):
        yield "site_shares should be one share a site and sum to 1"
    if scenario.therapists_per_site < 1:
        yield "therapists_per_site should be 1 or more"
    if not any((s.measure, s.limb) == (scenario.primary_measure, scenario.primary_limb) for s in scenario.series):
        yield f"the primary measure {scenario.primary_measure!r} is not among the series"
    elif scenario.primary_week not in scenario.primary.weeks:
        yield f"the primary measure is not measured in the primary week {scenario.primary_week:g}"
    mix = scenario.patients
    if not (mix.age_lowest <= mix.age_mean <= mix.age_highest <= 90 and mix.age_sd > 0 and mix.body_mass_sd_kg >= 0):
        yield "the ages or body masses of patients are not in order"
    if not 0 <= mix.women_share <= 1:
        yield "patients.women_share should be between 0 and 1"
    for covariate in scenario.covariates:
        if len(covariate.levels) != len(covariate.shares) or not _sums_to_one(covariate.shares):
            yield f"the shares of covariate {covariate.name!r} should be one a level and sum to 1"


def _of_series(scenario: Scenario) -> Iterator[str]:
    keys = [series.key for series in scenario.series]
    if len(set(keys)) != len(keys):
        yield "two series have the same measure and limb"
    levels = {(c.name, level) for c in scenario.covariates for level in c.levels}
    for series in scenario.series:
        name = f"series {series.key!r}"
        if not set(series.weeks) <= set(scenario.visit_weeks) or list(series.weeks) != sorted(series.weeks):
            yield f"{name}: its weeks are not visit weeks"
        if 0 not in series.weeks:
            yield f"{name} is not measured at week 0"
        if not series.lowest < series.highest or series.step <= 0 or series.half_life_weeks <= 0:
            yield f"{name}: lowest, highest, step or half_life_weeks is not in order"
        elif any(not series.lowest < v < series.highest for v in (series.before, series.after, series.plateau)):
            yield f"{name}: before, after and plateau should lie between lowest and highest"
        if not 0 <= series.decimals <= _MOST_DECIMALS:
            yield f"{name}: decimals should be from 0 to {_MOST_DECIMALS}"
        if series.visit_memory_weeks <= 0 or any(sd < 0 for sd in _sds(series)):
            yield f"{name}: standard deviations should be 0 or more, visit_memory_weeks above 0"
        if series.general_loading**2 + series.strength_loading**2 > 1 or abs(series.recovery_loading) > 1:
            yield f"{name}: the squares of the loadings sum to more than 1"
        for covariate, level, _ in series.covariate_shares:
            if (covariate, level) not in levels:
                yield f"{name}: there is no covariate {covariate!r} with level {level!r}"


def _of_parts(scenario: Scenario) -> Iterator[str]:
    keys = {(series.measure, series.limb) for series in scenario.series}
    for effect in scenario.effects:
        if effect.protocol == scenario.reference or effect.protocol not in scenario.protocols:
            yield f"an effect is of {effect.protocol!r}, which is the reference or not a protocol"
        if (effect.measure, effect.limb) not in keys:
            yield f"an effect is on {effect.measure!r} of limb {effect.limb!r}, which is not measured"
        if effect.week <= 0:
            yield "the week of an effect should be above 0"
    for protocols in [m.protocols for m in scenario.modalities] + [b.protocols for b in scenario.brace]:
        if not set(protocols) <= set(scenario.protocols):
            yield f"home programme or brace: {', '.join(protocols)} are not all protocols"
    for modality in scenario.modalities:
        if (
            not 1 <= modality.first_week <= modality.last_week <= LATEST_WEEK
            or not 1 <= modality.sessions_per_week <= 100
        ):
            yield f"modality {modality.modality!r}: its weeks or sessions are not in order"
        if not 1 <= modality.minutes * modality.sessions_per_week <= 10_080:
            yield f"modality {modality.modality!r}: its sessions do not fit into a week"
    known = {modality.modality for modality in scenario.modalities} | {""}
    for event in scenario.events:
        if event.modality not in known or not 0 <= event.first_week <= event.last_week <= LATEST_WEEK:
            yield f"event {event.event!r}: its modality or weeks are not in order"
    for plan in scenario.brace:
        if not len(plan.weeks) == len(plan.flexion_limits_deg) == len(plan.extension_limits_deg) == len(plan.locked):
            yield "a brace plan needs one flexion limit, extension limit and lock a week"
    yield from _shares(scenario)


def _shares(scenario: Scenario) -> Iterator[str]:
    home, missing = scenario.home, scenario.missingness
    shares = {
        "home.never_start_share": home.never_start_share,
        "home.reported_share": home.reported_share,
        "missingness.missed_share": missing.missed_share,
        "missingness.untested_share": missing.untested_share,
        "missingness.withdrew_share + moved_share": missing.withdrew_share + missing.moved_share,
    }
    for event in scenario.events:
        shares |= {f"events[{event.event}] {name}": getattr(event, name) for name in
                   ("share", "serious_share", "related_share")}  # fmt: skip
    for plan in scenario.brace:
        shares["brace.delay_share"] = plan.delay_share
    for name, share in shares.items():
        if not 0 <= share <= 1:
            yield f"{name} should be between 0 and 1"
    for name, share in (("home.start_share", home.start_share), ("home.end_share", home.end_share)):
        if not 0 < share < 1:
            yield f"{name} should be above 0 and below 1"
    rising = (0.0, *missing.lost_shares)
    if len(missing.lost_weeks) != len(missing.lost_shares) or list(rising) != sorted(rising) or rising[-1] >= 1:
        yield "missingness.lost_shares should be one a week, rise from 0 and stay below 1"
    if missing.score_odds_ratio <= 0 or missing.adherence_odds_ratio <= 0:
        yield "odds ratios of missingness should be above 0"


def _sums_to_one(shares: tuple[float, ...]) -> bool:
    return all(share >= 0 for share in shares) and abs(sum(shares) - 1) < 1e-9


def _sds(series: Series) -> tuple[float, ...]:
    return (series.level_sd, series.drop_sd, series.plateau_sd, series.visit_sd, series.error_sd, series.error_share,
            series.site_sd, series.therapist_sd)  # fmt: skip
