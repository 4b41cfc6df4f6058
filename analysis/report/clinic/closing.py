"""What stands below on a clinic's page: late data, questions open, cautions, provenance, and the release put on record."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.report import quarter
from analysis.report.clinic.study import ClinicParameters
from analysis.report.clinic.words import late_words, questions_words
from analysis.report.forms.digest import REPEAT_OPENING
from analysis.report.parts.passages import Passage, Section, absent
from analysis.report.parts.wording import ABOUT_GROUPS, DEFERRED, Caution, cautions_of
from analysis.report.running.record import command_to_repeat
from analysis.report.running.told_paths import without_home

if TYPE_CHECKING:
    from analysis.report.clinic.study import ClinicPage

_NO_RANK = Caution(
    "The page ranks nobody: data quality, case mix and chance come before care as explanations.",
    "The page ranks nobody.",
)


def late_data(page: ClinicPage) -> Section:
    """Say what came or changed since earlier releases."""
    return Section((Passage((" ".join(late_words(page.found.late)),)),))


def questions(page: ClinicPage) -> Section:
    """Say how many questions of the check of the cohort are open, by kind."""
    asked = page.found.questions
    if asked is None:
        return Section((absent("the patients, as the folder holds counts. Which questions are open cannot be said."),))
    return Section((Passage((" ".join(questions_words(asked)),)),))


def cautions(page: ClinicPage) -> Section:  # noqa: ARG001 - as every section
    """Say what the page must not be used for."""
    return Section((cautions_of([ABOUT_GROUPS, DEFERRED, _NO_RANK]),))


def provenance(page: ClinicPage) -> Section:
    """Say how to make the page again; the record beside it has the files read, their hashes, all parameters and versions."""
    changed = {**ClinicParameters.changed(page.parameters), "site": page.site}
    command = without_home(command_to_repeat("clinic", page.study.folder.resolve().name, changed))
    return Section((Passage((f"{REPEAT_OPENING}{command}",)),))


def record_release(page: ClinicPage) -> Section:
    """Write the quarter's release into the ledger, unless it is there: the page shows nothing that this release does not."""
    return quarter.record_release(page.study)
