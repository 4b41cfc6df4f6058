"""Files of sums: words and arrays in NumPy's npz, without pickled objects, whole or not at all."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.cohort.files.paths import refuse_impossible_name
from analysis.errors import ModelError


def write_sums(path: str | Path, words: Mapping[str, Any], arrays: Mapping[str, NDArray[Any]]) -> Path:
    """Write words and arrays; ``.npz`` is added where the name does not end so. Gives the file written."""
    target = Path(path)
    if target.suffix != ".npz":
        target = target.with_name(target.name + ".npz")
    refuse_impossible_name(target, error=ModelError)
    beside = target.with_name(f".{target.name}.part")
    with beside.open("wb") as file:
        np.savez(file, words=np.array(json.dumps(words)), **arrays)  # type: ignore[arg-type]  # names are words
    return beside.replace(target)


def stored_sums(path: str | Path, arrays: Sequence[str]) -> tuple[dict[str, Any], dict[str, Any]]:
    """Read what :func:`write_sums` wrote.

    Raises
    ------
    ModelError
        The file does not hold them.
    """
    refuse_impossible_name(Path(path), error=ModelError)
    try:
        with np.load(path, allow_pickle=False) as stored:
            return json.loads(str(stored["words"])), {name: stored[name] for name in arrays}
    except (OSError, KeyError, ValueError) as error:
        raise ModelError(
            "The file does not hold visit moments.",
            where=str(path),
            what_to_do="Give a file that VisitMoments.save wrote.",
        ) from error


def with_tuples(stored: Mapping[str, Any]) -> dict[str, Any]:
    """Make the lists of JSON tuples again."""
    return {name: tuple(value) if isinstance(value, list) else value for name, value in stored.items()}
