"""A text written to a file that is there whole or not at all."""

from __future__ import annotations

from pathlib import Path

from analysis.errors import CohortError
from analysis.writing.owners import new_token


def write_text(text: str, target: Path, *, overwrite: bool) -> Path:
    """Write a text to a file; a link is not followed.

    Raises
    ------
    CohortError
        There is a file of that name already, or it cannot be written.
    """
    if target.is_symlink() or (target.exists() and not overwrite):
        raise CohortError(
            "There is a file of that name already.",
            where=str(target),
            what_to_do="Choose another name, or --overwrite.",
        )
    part = target.with_name(f".{target.name}.part-{new_token()}")
    try:
        part.write_text(text, encoding="utf-8", newline="\n")
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
