"""Read a TOML file that a person wrote, or say in one message why that cannot be."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from analysis.cohort.files.paths import refuse_no_file
from analysis.errors import CohortError


def read_toml(path: Path, what: str, help_is: str) -> dict[str, Any]:
    """Read a TOML file; ``what`` it is and where ``help_is`` stand in the messages.

    Raises
    ------
    CohortError
        The file is missing, no text, or no TOML.
    """
    refuse_no_file(path)
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "it is not UTF-8"
        raise CohortError(f"The {what} cannot be read: {reason}.", where=str(path), what_to_do="Check it.") from None
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        reason = "its parts lie too deep in one another" if isinstance(error, RecursionError) else error
        raise CohortError(
            f"The {what} is no valid TOML: {reason}.",
            where=path.name,
            what_to_do=f"Put texts in quotation marks; {help_is}.",
        ) from None
