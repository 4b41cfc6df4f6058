"""The report of the resident: claims are noted one after the other, and kept beside the notebook."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from analysis.cohort import Cohort
from analysis.cohort.files.settings_files import read_json
from analysis.counted import counted
from analysis.errors import ReportError
from analysis.lessons.capstone.claims import QUESTIONS, Claims, read_claims, with_claims, write_claims
from analysis.lessons.feedback import Feedback, NotAnsweredYet
from analysis.lessons.lesson_table import show_few_digits

#: Says which cohort the folder is about, and nothing of its truth.
FILE_NAME, VERSION = "capstone.json", 1


@dataclass
class CapstoneReport:
    """The claims of one report; made by :func:`start_report`.

    Parameters
    ----------
    cohort : Cohort
        The cohort that it is about.
    folder : Path
        Where the claims are kept.
    seed : int or None
        Seed of the unseen cohort; None for own data.
    """

    cohort: Cohort
    folder: Path
    seed: int | None

    def __post_init__(self) -> None:
        self.claims: Claims = read_claims(self.folder, self.cohort.protocols, self.seed)

    def claim(self, **given: Any) -> Feedback:
        """Note claims, and keep them at once.

        Parameters
        ----------
        **given
            Claims by name; each replaces an earlier one of that name.

        Returns
        -------
        Feedback
            That they were noted, and what is still missing.

        Raises
        ------
        NotAnsweredYet
            The three dots are still there.
        ReportError
            A claim is not known, none of its words, or impossible; or the file cannot be written.
        """
        self.claims = with_claims(self.claims, given, self.cohort.protocols)
        write_claims(self.claims, self.folder, self.seed)
        left = len(self.claims.missing())
        return Feedback("noted", f"{', '.join(given)}. {f'{left} still open.' if left else 'All claims are made.'}")

    def use(self, mended: object) -> Feedback:
        """Say what was done by hand to the cohort that the report goes on with.

        Parameters
        ----------
        mended : object
            The cohort that is trusted.

        Returns
        -------
        Feedback
            Its patients, and the steps by which it differs from the one that came.

        Raises
        ------
        NotAnsweredYet
            The three dots are still there.
        ReportError
            It is no cohort.
        """
        if mended is Ellipsis:
            raise NotAnsweredYet("Which cohort do you trust?")
        if not isinstance(mended, Cohort):
            raise ReportError(
                f"A cohort is asked for, not {type(mended).__name__}.",
                where="the mended cohort",
                what_to_do="Write mended = cohort, or what change_values or leave_out gives.",
            )
        came = len(self.cohort.provenance.steps)
        steps = " ".join(mended.provenance.steps[came:]) or "Nothing was changed by hand."
        return Feedback("noted", f"{counted(len(mended.patients), 'patient')}. {steps}")

    def finish(self) -> Feedback:
        """Say what to do next, once all claims are made.

        Returns
        -------
        Feedback
            The next step.

        Raises
        ------
        NotAnsweredYet
            A claim is still missing.
        """
        for name in self.claims.missing():
            raise NotAnsweredYet(QUESTIONS[name], f"Claim it in the cell with {name}, and run this cell again.")
        if self.seed is None:
            return Feedback("noted", "Now go through self_check.md, question by question, with somebody else.")
        return Feedback(
            "noted", "Save the notebook. Then have it marked: kneecurve mark, with the folder of this notebook."
        )


def start_report(cohort: Cohort, folder: Path | str = ".") -> CapstoneReport:
    """Begin a report, or go on with it.

    Parameters
    ----------
    cohort : Cohort
        The cohort that it is about.
    folder : Path or str
        Folder of the capstone.

    Returns
    -------
    CapstoneReport
        With the claims made so far.

    Raises
    ------
    ReportError
        The folder is none of a capstone, or the claims in it cannot be read.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> from synthetic_cohort import generate_cohort
    >>> with TemporaryDirectory() as folder:
    ...     write_record(Path(folder), None)
    ...     start_report(generate_cohort(patients=30, seed=1).observed, folder).claim(wording="association")
    • Noted. wording. 9 still open.
    """
    show_few_digits()
    return CapstoneReport(cohort, Path(folder), read_seed(Path(folder)))


def write_record(folder: Path, seed: int | None) -> None:
    """Write which cohort a folder is about."""
    text = json.dumps({"kneecurve_capstone": VERSION, "seed": seed})
    (folder / FILE_NAME).write_text(text + "\n", encoding="utf-8")


def read_seed(folder: Path) -> int | None:
    """Read which cohort a folder is about: its seed, or None for own data.

    Raises
    ------
    ReportError
        There is no capstone in the folder, or it is of another version.
    """
    path = folder / FILE_NAME
    try:
        held = read_json(path)
        version, seed = held["kneecurve_capstone"], held["seed"]
        if seed is not None and (isinstance(seed, bool) or not isinstance(seed, int)):
            raise TypeError
    except FileNotFoundError:
        raise ReportError(
            "This is no folder of a capstone.",
            where=str(folder),
            what_to_do="Name the folder that kneecurve lessons --capstone wrote; its file capstone.json belongs to it.",
        ) from None
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise ReportError(
            "The file that says which cohort this is cannot be read.",
            where=str(path),
            what_to_do="Write the capstone again, with the same seed, to another folder.",
        ) from error
    if version != VERSION:
        raise ReportError(
            f"The capstone is of version {version!r}; this version of the kit marks version {VERSION}.",
            where=str(path),
            what_to_do="Write the capstone again with this version of the kit.",
        )
    return seed
