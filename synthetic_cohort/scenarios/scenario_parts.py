"""The parts of a scenario: frozen parameters, from the patients to what goes missing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Course = Literal["early and fading", "late", "constant"]
Mechanism = Literal["completely at random", "at random", "not at random"]
ShapeKind = Literal["fall and regain", "dip"]


@dataclass(frozen=True)
class PatientMix:
    """Who the patients are.

    Parameters
    ----------
    age_mean, age_sd, age_lowest, age_highest : float
        Years at the start; normal, cut at both ends.
    women_share : float
        Share of women, 0 to 1.
    body_mass_women_kg, body_mass_men_kg, body_mass_sd_kg : float
        Body mass at the start, kg; normal within sex, cut at 2.5 standard deviations.
    """

    age_mean: float
    age_sd: float
    age_lowest: float
    age_highest: float
    women_share: float
    body_mass_women_kg: float
    body_mass_men_kg: float
    body_mass_sd_kg: float


@dataclass(frozen=True)
class Covariate:
    """A further baseline column of labels, drawn independently; the shares of its labels sum to 1."""

    name: str
    levels: tuple[str, ...]
    shares: tuple[float, ...]


@dataclass(frozen=True)
class Series:
    """One measure of one limb: its mean by week under the reference protocol, and what varies about it.

    Parameters
    ----------
    measure, limb : str
        As in the visits table.
    weeks : tuple of float
        Weeks when it is measured.
    kind : {"fall and regain", "dip"}
        fall and regain: ``before`` at week 0, then ``plateau + (after - plateau) * 2 ** (-week / half_life_weeks)``;
        dip: ``before`` less a dip of depth ``before - after`` that is deepest at ``half_life_weeks``.
    before, after, plateau, half_life_weeks : float
        Parameters of the mean on the observed scale.
    level_sd : float
        Lasting differences between patients, there before surgery.
    loss_share : float
        Share of a patient's level that is lost with the fall (and regained with it), 0 to 1.
    drop_sd, plateau_sd : float
        Differences between patients in the fall, and in the regain.
    visit_sd, visit_memory_weeks : float
        True variation from visit to visit (biological), with its exponential memory.
    error_sd, error_share : float
        Standard deviation of measurement error: a constant and a share of the mean at that week, added.
    site_sd, therapist_sd : float
        Differences between sites and between therapists within a site.
    general_loading, strength_loading, recovery_loading : float
        Correlation of the level with the patient's general condition and strength, and of drop and plateau with the
        patient's recovery, -1 to 1; they correlate the series with one another.
    women_share, decade_share : float
        Difference of women from men, and for ten years of age, as a share of the mean at that week.
    covariate_shares : tuple of (covariate, level, share)
        Differences of levels of further covariates, as a share of the mean.
    lowest, highest, step : float
        Ends of the scale and resolution of the instrument.
    decimals : int
        Decimals recorded.
    """

    measure: str
    limb: str
    weeks: tuple[float, ...]
    kind: ShapeKind
    before: float
    after: float
    plateau: float
    half_life_weeks: float
    level_sd: float
    loss_share: float
    drop_sd: float
    plateau_sd: float
    visit_sd: float
    visit_memory_weeks: float
    error_sd: float
    error_share: float
    site_sd: float
    therapist_sd: float
    general_loading: float
    strength_loading: float
    recovery_loading: float
    women_share: float
    decade_share: float
    lowest: float
    highest: float
    step: float
    decimals: int
    covariate_shares: tuple[tuple[str, str, float], ...] = ()

    @property
    def key(self) -> str:
        """Measure and limb in one word, for streams and parameter names."""
        return self.measure if self.limb == "none" else f"{self.measure} {self.limb}"


@dataclass(frozen=True)
class Effect:
    """What a protocol adds to a measure, compared with the reference protocol, by week.

    Parameters
    ----------
    protocol, measure, limb : str
        Where it acts.
    course : {"early and fading", "late", "constant"}
        early and fading: largest at ``week``, then fading; late: half of it reached at ``week``; constant: from the
        first visit after the start.
    size : float
        Largest effect in the unit of the measure, before the ends of the scale are applied.
    week : float
        See ``course``.
    """

    protocol: str
    measure: str
    limb: str
    course: Course
    size: float
    week: float


@dataclass(frozen=True)
class Modality:
    """One kind of home session.

    Parameters
    ----------
    modality : str
        As in the sessions table.
    protocols : tuple of str
        Protocols that prescribe it.
    first_week, last_week : int
        Weeks of the programme, ends included.
    sessions_per_week : int
        Sessions prescribed.
    minutes : int
        Length of a session.
    level_knee, level_thigh : float
        Mean stimulation level in the first week, % of the device's maximum; 0 where nothing is stimulated.
    level_gain, level_sd : float
        Mean rise a week, and differences between patients.
    """

    modality: str
    protocols: tuple[str, ...]
    first_week: int
    last_week: int
    sessions_per_week: int
    minutes: int
    level_knee: float
    level_thigh: float
    level_gain: float
    level_sd: float


@dataclass(frozen=True)
class HomeProgramme:
    """What is done at home.

    Parameters
    ----------
    start_share, end_share : float
        Share of the prescribed sessions that a typical patient does in the first and in the last week.
    patient_sd : float
        Differences between patients on the log-odds scale.
    never_start_share : float
        Share of patients who never start.
    follows_recovery : float
        Log-odds of doing a session for one standard deviation of the patient's own recovery: what makes a naive
        dose-response wrong.
    gain_of_full_adherence : float
        True gain of the primary measure from doing all rather than none of the sessions, at the primary week.
    reported_share : float
        Chance that a session that was not done is reported as done.
    """

    start_share: float
    end_share: float
    patient_sd: float
    never_start_share: float
    follows_recovery: float
    gain_of_full_adherence: float
    reported_share: float


@dataclass(frozen=True)
class BracePlan:
    """Motion limits of a hinged brace, opened by week.

    Parameters
    ----------
    protocols : tuple of str
        Protocols that use the plan.
    weeks, flexion_limits_deg, extension_limits_deg : tuple of float
        The planned settings.
    locked : tuple of bool
        Whether the hinges are locked from that week on.
    delay_share : float
        Share of patients whose settings after the first come a week late.
    """

    protocols: tuple[str, ...]
    weeks: tuple[float, ...]
    flexion_limits_deg: tuple[float, ...]
    extension_limits_deg: tuple[float, ...]
    locked: tuple[bool, ...]
    delay_share: float


@dataclass(frozen=True)
class EventKind:
    """Something that happens to a share of the patients, once.

    Parameters
    ----------
    event : str
        What happens.
    modality : str
        Only patients with this home modality; empty for everybody.
    share : float
        Share of them, if followed to the end.
    first_week, last_week : int
        When, in weeks of the programme (days 0 to 6 are week 1), ends included, every day as likely as another.
    serious_share, related_share : float
        Share of the events that are serious, and that are held to be related to the programme.
    """

    event: str
    modality: str
    share: float
    first_week: int
    last_week: int
    serious_share: float
    related_share: float


@dataclass(frozen=True)
class Missingness:
    """Who is not seen.

    Parameters
    ----------
    lost_weeks, lost_shares : tuple of float
        Share of the patients lost for good by these weeks; linear between them.
    missed_share, untested_share : float
        Chance that a patient who is still followed misses one visit, and that one measurement of a visit is not made.
    lost, missed : {"completely at random", "at random", "not at random"}
        Mechanism of each. at random: by the last observed score of the primary measure and by logged adherence; not at
        random: by the value that would have been seen.
    score_odds_ratio : float
        Odds of being lost or missing for one standard deviation of a worse score.
    adherence_odds_ratio : float
        The same for one standard deviation of lower adherence in the four weeks before.
    withdrew_share, moved_share : float
        Of those lost: who withdrew, who moved away; the others could not be reached.
    """

    lost_weeks: tuple[float, ...]
    lost_shares: tuple[float, ...]
    missed_share: float
    untested_share: float
    lost: Mechanism
    missed: Mechanism
    score_odds_ratio: float
    adherence_odds_ratio: float
    withdrew_share: float
    moved_share: float
