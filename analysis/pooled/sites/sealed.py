"""Files of plain data with the hash of all of them: whole or not at all, and read only by the plan and version they were made by."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from analysis.cohort.files.paths import refuse_impossible_name
from analysis.cohort.files.settings_files import read_json
from analysis.counted import counted, form
from analysis.errors import CohortError
from analysis.pooled.agreed import PoolingPlan
from analysis.writing.texts import write_text


def write_sealed(data: Mapping[str, Any], path: str | Path, *, overwrite: bool) -> Path:
    """Write plain data with the hash of all of them, whole or not at all; raises as :func:`analysis.pooled.sites.site_file.write_site_sums`."""
    target = Path(path)
    refuse_impossible_name(target, error=CohortError)
    return write_text(_text({**data, "sha256": _hash(data)}), target, overwrite=overwrite)


def read_sealed(path: str | Path, wanted: str, plan: PoolingPlan) -> dict[str, Any]:
    """Read plain data that :func:`write_sealed` wrote, of a form and a plan.

    Raises as :func:`analysis.pooled.sites.site_file.read_site_sums`.
    """
    file = Path(path)
    refuse_impossible_name(file, error=CohortError)
    try:
        data = read_json(file)
    except OSError as error:
        raise CohortError(
            f"The file cannot be read: {error.strerror}.", where=str(path), what_to_do="Check the path."
        ) from None
    except ValueError as error:
        raise not_sent(path, f"it is no valid JSON: {error}") from None
    if not isinstance(data, dict) or data.get("form") != wanted:
        said = data.get("form") if isinstance(data, dict) else None
        raise not_sent(path, f'its form is {said!r}, not "{wanted}"')
    sealed = data.pop("sha256", None)
    try:
        own = _hash(data)
    except ValueError:
        raise not_sent(path, "it holds a number that is none") from None
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


def not_sent(path: str | Path, why: str) -> CohortError:
    """Give the error of a file that is none that a site sends."""
    return CohortError(
        f"This is no file that a site sends: {why}.",
        where=str(path),
        what_to_do="Ask the site for the file that kneecurve sites summarise wrote.",
    )
