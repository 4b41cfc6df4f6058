"""The secret key of the new identifiers: made, read, and refused where it is unsafe."""

from __future__ import annotations

import os
import re
import secrets
import stat
from pathlib import Path

from analysis.cohort.files.paths import refuse_no_file
from analysis.errors import DeidentificationError
from analysis.writing.owners import MARK, new_token, note, remove_dead

_KEY_BYTES = 32
#: A key has at least as many bytes, of which so many differ (design choices; 16 bytes are the 128 bits in use for keys).
_LEAST_BYTES, _LEAST_DIFFERENT = 16, 12


def read_key(path: Path, source: Path, folder: Path) -> bytes:
    """Read the key of a file; make it where there is none.

    Raises
    ------
    CohortError
        What is there is no file.
    DeidentificationError
        Its folder lies in that of the source or in the one that is written, or holds one of them, at any depth; others may
        read it, or it can be guessed.
    """
    refuse_no_file(path)
    folder_of_key = Path(os.path.realpath(path)).parent
    given = Path(os.path.realpath(source))
    for place in (given if source.is_dir() else given.parent, Path(os.path.realpath(folder))):
        if place in (folder_of_key, *folder_of_key.parents) or folder_of_key in place.parents:
            raise DeidentificationError(
                "The key lies with the data; who gets the one gets the other.",
                where=str(path),
                what_to_do="Keep the key in a folder of its own, neither within the folder of the source or of what is written, "
                "nor above them.",
            )
    path.parent.mkdir(parents=True, exist_ok=True)
    remove_dead(path.parent, re.compile(rf"\.{re.escape(path.name)}\.part-{MARK}-[0-9a-f]{{8}}"))
    if path.is_file() and path.stat().st_size == 0:
        path.unlink()
        note(f"The key file {path} was empty, as one who died while writing leaves it; a new key is made.")
    if not path.exists():
        _make_key(path)
    return key_that_is_there(path)


def key_that_is_there(path: Path) -> bytes:
    """Read the key of a file, and make none.

    Raises
    ------
    CohortError
        What is there is no file.
    DeidentificationError
        There is no key, others may read it, or it can be guessed.
    """
    refuse_no_file(path)
    if not path.is_file():
        raise DeidentificationError(
            "There is no such key.", where=str(path), what_to_do="Name the key that the source was de-identified with."
        )
    if os.name == "posix" and stat.S_IMODE(path.stat().st_mode) & 0o077:
        raise DeidentificationError(
            "Others may read the key file.", where=str(path), what_to_do=f"Close it to others: chmod 600 {path.name}"
        )
    key = path.read_bytes().strip()
    if can_be_guessed(key):
        raise DeidentificationError(
            "The key can be guessed: it is short, a word, or has a pattern.",
            where=str(path),
            what_to_do="Name a file that is not there yet: a random key is made.",
        )
    return key


def can_be_guessed(key: bytes) -> bool:
    """Say whether a key is not at least 16 random bytes written in hexadecimal digits, as far as can be seen.

    Examples
    --------
    >>> can_be_guessed(b"correct horse battery staple"), can_be_guessed(b"00112233445566778899aabbccddeeff")
    (True, True)
    """
    try:
        whole = bytes.fromhex(key.decode("ascii"))
    except ValueError:
        return True
    steps = {(one - other) % 256 for one, other in zip(whole[1:], whole, strict=False)}
    return len(whole) < _LEAST_BYTES or len(set(whole)) < _LEAST_DIFFERENT or len(steps) < _LEAST_DIFFERENT // 2


def _make_key(path: Path) -> None:
    """Make a key that is there whole or not at all; one that another process made meanwhile stays."""
    part = path.with_name(f".{path.name}.part-{new_token()}")
    try:
        handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "wb") as stream:
            stream.write(secrets.token_hex(_KEY_BYTES).encode("ascii"))
        try:
            os.link(part, path)  # unlike a rename it never replaces
        except FileExistsError:
            pass
        except OSError:  # a disk without links
            part.rename(path)
    finally:
        part.unlink(missing_ok=True)
