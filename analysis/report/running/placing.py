"""Where a report is written: alone, into a folder of its own, and then all its files take their place, or none does."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, nullcontext, suppress
from pathlib import Path

from analysis.cohort.files.paths import refuse_impossible_name
from analysis.errors import KneecurveError, ReportError
from analysis.report.running.record import read_record
from analysis.writing.owners import MARK, is_dead, lock, mark_in, new_token, remove_dead
from analysis.writing.swaps import signals_held

#: What a folder being written holds while its files take their place, for the next command should this one die.
JOURNAL = ".journal.json"
_EARLIER = ".earlier"
_WORKING = re.compile(rf"\.being-written-{MARK}-[0-9a-f]{{8}}")

_LOCK_ASIDE = re.compile(rf"\..+\.lock\.{MARK}-[0-9a-f]{{8}}")


@contextmanager
def working_folder(destination: Path, what: str, *, alone: str | None = None) -> Iterator[Path]:
    """Give a folder inside the destination that is gone afterwards, and the destination too where nothing was left.

    The destination is made where it is not there; ``what`` is written, as an error begins; ``alone`` names what only one
    process may write at a time. What dead processes left there is finished or removed before.

    Raises
    ------
    ReportError
        The folder cannot be written, or another process writes the same.
    """
    refuse_impossible_name(destination, error=ReportError)
    made = [path for path in (destination, *destination.parents) if not path.exists()]
    try:
        destination.mkdir(parents=True, exist_ok=True)
        held = lock(destination / f".{alone}.lock", f"{what} {alone}", error=ReportError) if alone else nullcontext()
        with held:
            finish_dead(destination)
            working = destination / f".being-written-{new_token()}"
            try:
                working.mkdir()
                yield working
            finally:
                shutil.rmtree(working, ignore_errors=True)
    except OSError as error:
        raise ReportError(
            f"{what} cannot be written: {error.strerror or error}.",
            where=str(error.filename or destination),
            what_to_do="Choose a folder that you may write to, on a disk that has room.",
        ) from error
    finally:
        for path in made:
            with suppress(OSError):  # another process writes there
                path.rmdir()


def files_of_earlier(destination: Path, report: str) -> list[str]:
    """Give the files of the report of that name, from its record; none where there is no record that can be read.

    A record may come from anywhere: a name that no such report would have is passed over.
    """
    try:
        known = read_record(destination / f"{report}.json")
    except ReportError:
        return []
    names = [name for name in known.files if _may_be(name, report)] if known.report == report else []
    there = []
    for name in names:
        with suppress(KneecurveError):
            refuse_impossible_name(destination / name)
            there += [name] if (destination / name).is_file() else []
    return there


def refuse_other_kinds(destination: Path, files: Sequence[Path]) -> None:
    """Refuse to write files where folders are, or a folder where a file or a link is.

    Raises
    ------
    ReportError
        Something else is there.
    """
    for path in files:
        folder = path.suffix == ".tables"
        if path.is_symlink() if folder else path.is_dir():
            kind = "a link" if folder else "a folder"
        elif folder and path.exists() and not path.is_dir():
            kind = "a file"
        else:
            continue
        raise ReportError(
            f"The report cannot take the place of what is there: {kind}.",
            where=str(path),
            what_to_do=f"Move it away from {destination}, or choose another folder.",
        )


def put_in_place(working: Path, destination: Path, report: str, new: Sequence[str], gone: Sequence[str]) -> None:
    """Move all files of a report to their place, or, where anything stops that, none: then the earlier ones are back.

    ``new`` are the names of files in ``working``, ``gone`` those of an earlier report that were not made this time: they
    would contradict the new page. Should the process die meanwhile, :func:`finish_dead` moves the rest.
    """
    earlier = working / _EARLIER
    with signals_held():
        _write_journal(working, report, new, gone)
        moved: list[str] = []
        try:
            for name in [*new, *gone]:
                if (destination / name).exists():
                    _move(destination / name, earlier / name)
            for name in new:
                _move(working / name, destination / name)
                moved.append(name)
        except BaseException:
            for name in moved:
                (destination / name).replace(working / name)
            for name in [*new, *gone]:
                if (earlier / name).exists():
                    (earlier / name).replace(destination / name)
            (working / JOURNAL).unlink()
            raise
        _remove_empty(destination, gone)
        (working / JOURNAL).unlink()


def finish_dead(destination: Path) -> None:
    """Finish what dead processes were about to put in place here, and remove the folders that they left."""
    remove_dead(destination, _LOCK_ASIDE)
    for working in list(destination.iterdir()):
        if not _WORKING.fullmatch(working.name) or working.is_symlink() or not is_dead(mark_in(working.name) or ""):
            continue
        report, new, gone = _read_journal(working)
        for name in new:
            with suppress(FileNotFoundError):
                _move(working / name, destination / name)
        for name in gone:
            if not (working / _EARLIER / name).exists():
                (destination / name).unlink(missing_ok=True)
        _remove_empty(destination, gone)
        if report:
            (working / JOURNAL).unlink(missing_ok=True)
        shutil.rmtree(working, ignore_errors=True)


def _write_journal(working: Path, report: str, new: Sequence[str], gone: Sequence[str]) -> None:
    text = json.dumps({"report": report, "new": list(new), "gone": list(gone)})
    begun = working / f"{JOURNAL}.part"
    begun.write_text(text, encoding="utf-8")
    begun.replace(working / JOURNAL)


def _read_journal(working: Path) -> tuple[str, list[str], list[str]]:
    """Read what was to be put in place; nothing where it had not begun. Names that no report has are passed over."""
    try:
        data = json.loads((working / JOURNAL).read_text(encoding="utf-8"))
        report, new, gone = str(data["report"]), list(data["new"]), list(data["gone"])
    except (OSError, ValueError, KeyError, TypeError):
        return "", [], []
    return report, [one for one in new if _may_be(one, report)], [one for one in gone if _may_be(one, report)]


def _may_be(name: object, report: str) -> bool:
    """Say whether a report of that name may have a file of this name."""
    stem = re.escape(report)
    pattern = rf"{stem}(\.(json|ipynb|html|pdf|docx|pptx|failed\.ipynb)|\.tables/[^/\\:\0]+\.csv)"
    return (
        isinstance(name, str)
        and report not in ("", ".", "..")
        and not set(report) & set("/\\:\0")
        and bool(re.fullmatch(pattern, name))
    )


def _move(source: Path, target: Path) -> None:
    target.parent.mkdir(parents=True, exist_ok=True)
    source.replace(target)


def _remove_empty(destination: Path, names: Sequence[str]) -> None:
    for folder in {(destination / name).parent for name in names} - {destination}:
        with suppress(OSError):
            folder.rmdir()
