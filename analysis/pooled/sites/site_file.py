"""What one site sends: sums of its patients and moments of their visits; written, and read strictly."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from analysis.cohort.follow_up.as_of import as_of_day
from analysis.cohort.tables import Cohort
from analysis.counted import counted
from analysis.curves.rows.moment_disclosure import SOLVED
from analysis.curves.rows.moments import VisitMoments
from analysis.errors import CohortError, ModelError
from analysis.pooled.agreed import SITE, PoolingPlan
from analysis.pooled.counting import cohort_sums
from analysis.pooled.planning import kit_version
from analysis.pooled.sites.sealed import not_sent, read_sealed, write_sealed
from analysis.pooled.sums import CohortSums, sums_of_json
from analysis.pooled.visits_of_curves import curve_moments, curve_visits, moments_of_json, moments_to_json
from analysis.result import Result

#: Name and version of the form; a file of another version is not read.
FORM = "kneecurve sums of a site, version 1"
NOTE = (
    "Counts are as they are, also from 1 to 10, and are no anonymous data: for the combining office only, under an agreement, and "
    "not for release. The data-protection officer of the site decides whether this file may leave it."
)
#: A sum and a sum of squares of so many values are the values.
_VALUES_THEMSELVES = 2
#: Tables of sums of values.
_OF_VALUES = ("numbers", "improvement")
TRUSTED = "Cells of few patients are in the moments of the visits: the file may go only where the rows may be seen."


@dataclass(frozen=True, eq=False, repr=False)
class SiteSums(Result):
    """What a site sends.

    Attributes
    ----------
    plan : PoolingPlan
        What was agreed.
    site : str
        Its name in the plan.
    as_of : str
        Day up to which it has its data; empty where that is not known.
    sums : CohortSums
        Counts and sums of its patients.
    moments : VisitMoments or None
        Moments of the visits of the curves; None where nobody's stay.
    left_out : int
        Patients whose visits are not in the moments, since few have their pattern or a level within it.
    trusted : bool
        Whether the moments hold cells of few patients all the same.
    kit : str
        Version of the kit that wrote it.
    """

    plan: PoolingPlan
    site: str
    as_of: str
    sums: CohortSums
    moments: VisitMoments | None
    left_out: int
    trusted: bool = False
    kit: str = ""

    def _headline(self) -> str:
        n = self.sums.n_patients
        visits = "no visits of curves" if self.moments is None else counted(self.moments.n_patients, "patient")
        return f"Sums of {self.site}: {counted(n, 'patient')}; in the curves {visits}, {self.left_out} left out; plan {self.plan.digest}"

    def _shown_notes(self) -> tuple[str, ...]:
        few = f"Left out of the curves: patients whose pattern of visits, or a level within it, fewer than {self.plan.k} have."
        return (*([] if self.trusted else [few]), NOTE, *([TRUSTED] if self.trusted else []))


def summarise_site(cohort: Cohort, plan: PoolingPlan, site: str, *, trusted: bool = False) -> SiteSums:
    """Count a site by the plan, and sum the visits of its patients.

    Parameters
    ----------
    cohort : Cohort
        The patients of the site.
    plan : PoolingPlan
        What was agreed.
    site : str
        Its name in the plan.
    trusted : bool
        Keep cells of few patients in the moments, since the file stays where the rows may be seen.

    Returns
    -------
    SiteSums
        To be written with :func:`write_site_sums`.

    Raises
    ------
    CohortError
        The site is not in the plan, the data are of another day, or hold what the plan does not name; or, without ``trusted``, the plan
        calls hardly a cell small, or sums would be the values of one or two patients.
    ModelError
        The visits are not as was agreed, or would tell of few patients.

    Examples
    --------
    >>> from analysis.pooled.planning import plan_pooling
    >>> from synthetic_cohort import generate_cohort
    >>> cohort = generate_cohort(patients=60, seed=1).observed
    >>> plan = plan_pooling(cohort, "pain", week=26, sites=["north", "south"])
    >>> summarise_site(cohort, plan, "north", trusted=True).sums.n_patients
    60
    """
    _refuse_site(plan, site)
    day = as_of_day(cohort)
    as_of = "" if day is None else day.isoformat()
    if plan.as_of and as_of != plan.as_of:
        raise CohortError(
            f"The data are as of {as_of or 'no day'}, and {plan.as_of} was agreed.",
            where=f"site {site}, plan {plan.digest}",
            what_to_do="Take the data of that day, or agree on another one.",
        )
    named = replace(cohort, patients=cohort.patients.assign(**{SITE: site}))
    sums = cohort_sums(named, plan)
    if not trusted:
        _refuse_single_values(sums, site)
    by_plan = replace(plan, k=0, kept=None) if trusted and plan.kept is None else plan
    moments, left_out = curve_moments(curve_visits(named, plan), by_plan)
    if moments is not None and not trusted and (found := moments.disclosure(max(plan.k, 2))).small:
        raise ModelError(
            f"The file would tell of single patients: {found.headline}.",
            where=f"site {site}; for example weeks {found.table['weeks'].iloc[0]}: {found.table['tells'].iloc[0]}",
            what_to_do=(
                "Send it masked (seeds of all pairs of sites), or say trusted=True (--trusted) where it goes only to who may see the rows"
                " of the patients; or agree on a plan with fewer covariates."
            ),
        )
    return SiteSums(plan, site, as_of, sums, moments, left_out, trusted, kit_version())


def _refuse_single_values(sums: CohortSums, site: str) -> None:
    """Refuse sums that are the values of one or two patients, and a rule by which the moments would be."""
    plan, what_to_do = (
        sums.plan,
        (
            "Send it masked (seeds of all pairs of sites), or say trusted=True (--trusted) where it goes only to who may see the rows of the "
            "patients; or"
        ),
    )
    if plan.k <= SOLVED:
        raise CohortError(
            f"The plan calls a cell small only where it has fewer than {plan.k} patients, and rows can be solved from sums of {SOLVED}.",
            where=f"site {site}, plan {plan.digest}",
            what_to_do=f"{what_to_do} agree on a plan with a larger k.",
        )
    told = [
        f"{row.get('variable', name)} in {row['protocol']}"
        for name in _OF_VALUES
        for row in sums.tables[name].reset_index().to_dict("records")
        if 0 < row["n"] <= _VALUES_THEMSELVES
    ]
    if told:
        raise CohortError(
            f"The file would tell of single patients: a sum and a sum of squares of {_VALUES_THEMSELVES} values or fewer are the values.",
            where=f"site {site}: {'; '.join(told[:5])}{f' and {len(told) - 5} more' if len(told) > 5 else ''}",
            what_to_do=f"{what_to_do} leave those patients out, or agree on a plan without it.",
        )


def _refuse_site(plan: PoolingPlan, site: str) -> None:
    if site not in plan.sites:
        raise CohortError(
            f"The site {site!r} is not in the plan.",
            where=f"plan {plan.digest}: {', '.join(plan.sites) or 'no sites'}",
            what_to_do="Name the site as the plan does, or agree on a plan that has it.",
        )


def write_site_sums(found: SiteSums, path: str | Path, *, overwrite: bool = False) -> Path:
    """Write what a site sends as JSON, whole or not at all.

    Raises
    ------
    CohortError
        There is a file of that name, or it cannot be written.
    """
    data = {
        "form": FORM,
        "note": f"{NOTE} {TRUSTED}" if found.trusted else NOTE,
        "kit": found.kit,
        "plan": found.plan.digest,
        "site": found.site,
        "as_of": found.as_of,
        "trusted": found.trusted,
        "left_out": found.left_out,
        "sums": found.sums.to_json(),
        "moments": moments_to_json(found.moments),
    }
    return write_sealed(data, path, overwrite=overwrite)


def read_site_sums(path: str | Path, plan: PoolingPlan) -> SiteSums:
    """Read what a site sent.

    Raises
    ------
    CohortError
        The file cannot be read, was changed after it was written, is of another plan, version or form, or holds a number that is
        none.
    """
    data = read_sealed(path, FORM, plan)
    try:
        site, moments = str(data["site"]), moments_of_json(data["moments"], plan)
        sums = sums_of_json(plan, data["sums"])
        found = SiteSums(
            plan,
            site,
            str(data["as_of"]),
            sums,
            moments,
            int(data["left_out"]),
            bool(data["trusted"]),
            str(data["kit"]),
        )
    except (KeyError, TypeError, ValueError, IndexError) as error:
        raise not_sent(path, f"a part of it is missing or of another kind ({error})") from None
    _refuse_site(plan, site)
    return found
