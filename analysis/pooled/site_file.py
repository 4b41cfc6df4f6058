"""What one site sends: sums of its patients and moments of their visits; written, and read strictly."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from analysis.cohort.files.paths import refuse_impossible_name
from analysis.cohort.files.settings_files import read_json
from analysis.cohort.follow_up.as_of import as_of_day
from analysis.cohort.tables import Cohort
from analysis.counted import counted, form
from analysis.curves.rows.moments import VisitMoments
from analysis.errors import CohortError, ModelError
from analysis.pooled.agreed import SITE, PoolingPlan
from analysis.pooled.counting import cohort_sums
from analysis.pooled.planning import kit_version
from analysis.pooled.sums import CohortSums, sums_of_json
from analysis.pooled.visits_of_curves import curve_moments, curve_visits, moments_of_json, moments_to_json
from analysis.result import Result
from analysis.writing.owners import new_token

#: Name and version of the form; a file of another version is not read.
FORM = "kneecurve sums of a site, version 1"
NOTE = (
    "Counts are as they are, also from 1 to 10, and are no anonymous data: for the combining office only, under an agreement, and "
    "not for release. The data-protection officer of the site decides whether this file may leave it."
)
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
        The site is not in the plan, the data are of another day, or hold what the plan does not name.
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
        raise _wrong(path, f"a part of it is missing or of another kind ({error})") from None
    _refuse_site(plan, site)
    return found


def write_sealed(data: Mapping[str, Any], path: str | Path, *, overwrite: bool) -> Path:
    """Write plain data with the hash of all of them, whole or not at all; raises as :func:`write_site_sums`."""
    target = Path(path)
    refuse_impossible_name(target, error=CohortError)
    if target.exists() and not overwrite:
        raise CohortError(
            "There is a file of that name already.",
            where=str(target),
            what_to_do="Choose another name, or --overwrite.",
        )
    part = target.with_name(f".{target.name}.part-{new_token()}")
    try:
        part.write_text(_text({**data, "sha256": _hash(data)}), encoding="utf-8", newline="\n")
        part.replace(target)
    except OSError as error:
        raise CohortError(
            f"The file cannot be written: {error.strerror or error}.",
            where=str(target),
            what_to_do="Choose a place that you may write to.",
        ) from None
    finally:
        part.unlink(missing_ok=True)
    return target


def read_sealed(path: str | Path, wanted: str, plan: PoolingPlan) -> dict[str, Any]:
    """Read plain data that :func:`write_sealed` wrote, of a form and a plan; raises as :func:`read_site_sums`."""
    file = Path(path)
    refuse_impossible_name(file, error=CohortError)
    try:
        data = read_json(file)
    except OSError as error:
        raise CohortError(
            f"The file cannot be read: {error.strerror}.", where=str(path), what_to_do="Check the path."
        ) from None
    except ValueError as error:
        raise _wrong(path, f"it is no valid JSON: {error}") from None
    if not isinstance(data, dict) or data.get("form") != wanted:
        said = data.get("form") if isinstance(data, dict) else None
        raise _wrong(path, f'its form is {said!r}, not "{wanted}"')
    sealed = data.pop("sha256", None)
    try:
        own = _hash(data)
    except ValueError:
        raise _wrong(path, "it holds a number that is none") from None
    if sealed != own:
        raise CohortError(
            "The file was changed after it was written.",
            where=str(path),
            what_to_do="Ask the site for the file again, and compare the hash that kneecurve sites summarise printed.",
        )
    if data.get("plan") != plan.digest:
        raise CohortError(
            f"The file was made by another plan: {data.get('plan')}, not {plan.digest}.",
            where=str(path),
            what_to_do="Send the plan to the site again, and let it summarise by it.",
        )
    if data.get("kit") != plan.kit:
        raise CohortError(
            f"Version {data.get('kit') or 'unknown'} of the kit wrote the file, and the plan is of version {plan.kit or 'unknown'}.",
            where=str(path),
            what_to_do=f"{counted(1, 'version')} {form(1, 'is', 'are')} needed at all sites: install it and summarise again.",
        )
    return data


def hash_of_file(path: str | Path) -> str:
    """Give the hash that a file carries, for who compares it by another way."""
    return str(read_json(Path(path)).get("sha256", ""))


def _hash(data: Mapping[str, Any]) -> str:
    return hashlib.sha256(_text(data).encode()).hexdigest()


def _text(data: Mapping[str, Any]) -> str:
    return json.dumps(data, indent=None, ensure_ascii=False, allow_nan=False, sort_keys=True) + "\n"


def _wrong(path: str | Path, why: str) -> CohortError:
    return CohortError(
        f"This is no file that a site sends: {why}.",
        where=str(path),
        what_to_do="Ask the site for the file that kneecurve sites summarise wrote.",
    )
