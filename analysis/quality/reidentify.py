"""The way back for whoever holds the key: the site's own patient number beside each row of questions, and nowhere else."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pandas as pd

from analysis.cohort.columns import as_identifiers
from analysis.cohort.deidentification.deidentify import cohort_tables
from analysis.cohort.deidentification.keys import key_that_is_there
from analysis.cohort.deidentification.source import read_tables
from analysis.cohort.deidentification.tables import PATIENT, Choices, patient_column
from analysis.cohort.deidentification.transforms import opaque_identifiers
from analysis.cohort.files.package_schema import DESCRIPTOR
from analysis.cohort.files.paths import refuse_impossible_name, refuse_no_file
from analysis.cohort.findings import not_run
from analysis.cohort.recognition.spellings import fold_names
from analysis.counted import counted, form
from analysis.errors import CohortError, DeidentificationError
from analysis.writing.owners import new_token

#: The column with the site's own number of the patient, and the one with the file that a row came from.
OWN_NUMBER, FROM_FILE = "own_patient_number", "file"
#: What whoever wrote the file must know of it.
IDENTIFIABLE = (
    "This file identifies patients: it holds their own numbers. It is for those who look after them, and must not go into a cohort "
    "folder, to the combining office, into a report or an e-mail. Delete it when the questions are answered; answers go back "
    f"without the column {OWN_NUMBER}."
)


def reidentify(
    questions: str | os.PathLike[str],
    file: str | os.PathLike[str],
    *,
    key_file: str | os.PathLike[str],
    source: str | os.PathLike[str],
    patient: str | None = None,
    delimiter: str = ",",
    overwrite: bool = False,
) -> Path:
    r"""Write questions again with the site's own number of each patient, for the holder of the key and of the source.

    New identifiers are a keyed hash, so neither the key nor the source alone leads back: the patients of the source are hashed
    with the key again. No list of patients is kept anywhere.

    Parameters
    ----------
    questions : path
        CSV file with a column patient_id, such as ``kneecurve check --export`` writes, or a folder of them.
    file : path
        CSV file that is written whole or not at all, readable by its owner only where the system allows that: the same rows,
        with the column ``own_patient_number`` behind patient_id (of a folder, with ``file`` in front).
    key_file : path
        The key that the source was de-identified with.
    source : path
        What was de-identified: a table, a folder of tables, or a cohort folder.
    patient : str, optional
        Column of the source with the patient, where it cannot be told.
    delimiter : str
        Character between the cells of a CSV file of the source.
    overwrite : bool
        Whether a file that is there is replaced.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    CohortError
        A file cannot be read, holds no column patient_id, or the file to be written is there already.
    DeidentificationError
        The key is missing or unsafe, patients of the questions are not of this key and source, or the file would lie in
        a cohort folder; nothing is written.

    Examples
    --------
    >>> import tempfile
    >>> from analysis.cohort.deidentification.deidentify import deidentify
    >>> with tempfile.TemporaryDirectory() as place:
    ...     here = Path(place)
    ...     for name in ("in", "keys"):
    ...         (here / name).mkdir()
    ...     _ = (here / "in" / "clinic.csv").write_text("MRN,koos_pain\n" + "".join(f"M{i},{50 + i}\n" for i in range(5)))
    ...     _ = deidentify(here / "in" / "clinic.csv", here / "out", patient="MRN", key_file=here / "keys" / "a.key")
    ...     asked = reidentify(here / "out" / "clinic.csv", here / "named.csv", key_file=here / "keys" / "a.key",
    ...                        source=here / "in" / "clinic.csv", patient="MRN")
    ...     sorted(pd.read_csv(asked)["own_patient_number"])
    ['M0', 'M1', 'M2', 'M3', 'M4']
    """
    target = Path(file)
    _refuse_target(target, overwrite=overwrite)
    rows = _read_questions(Path(questions))
    key = key_that_is_there(Path(key_file))
    own = {new: old for old, new in opaque_identifiers(_patients(Path(source), patient, delimiter), key).items()}
    asked = rows[PATIENT].str.strip()
    known = asked.eq("") | asked.isin(list(own))
    if not known.all():
        n, among = int(asked[~known].nunique()), int(asked[asked != ""].nunique())
        raise DeidentificationError(
            f"Of {counted(among, 'patient')} in the questions {n:,} {form(n, 'is', 'are')} not of this key and source; nothing was written.",
            where=f"{questions}, column {PATIENT}",
            what_to_do="Name the key and the source that these patients were de-identified with; patients of other sites go to those sites.",
        )
    place = list(rows.columns).index(PATIENT) + 1
    rows.insert(place, OWN_NUMBER, not_run(asked.map(own).fillna("").astype("str")))
    _write(rows.to_csv(index=False, lineterminator="\n"), target, overwrite=overwrite)
    return target


def _read_questions(place: Path) -> pd.DataFrame:
    refuse_impossible_name(place)
    paths = sorted(place.glob("*.csv")) if place.is_dir() else [place]
    if not paths:
        raise CohortError(
            "The folder holds no CSV file.", where=str(place), what_to_do="Name the file with the questions."
        )
    parts = []
    for path in paths:
        refuse_no_file(path)
        try:
            part = pd.read_csv(path, dtype=str, keep_default_na=False, encoding="utf-8-sig")
        except (OSError, UnicodeDecodeError, pd.errors.ParserError, pd.errors.EmptyDataError) as error:
            raise CohortError(
                "The questions cannot be read.", where=f"{path}: {error}", what_to_do="Save them as CSV in UTF-8."
            ) from error
        if PATIENT not in part or OWN_NUMBER in part:
            problem = f"lack the column {PATIENT}" if PATIENT not in part else f"have the column {OWN_NUMBER} already"
            raise CohortError(
                f"The questions {problem}.",
                where=f"{path}, columns: {', '.join(part.columns)}",
                what_to_do="Give a file as kneecurve check --export writes it.",
            )
        if place.is_dir():
            part.insert(0, FROM_FILE, path.name)
        parts.append(part)
    return pd.concat(parts, ignore_index=True).fillna("")


def _patients(source: Path, patient: str | None, delimiter: str) -> Iterator[str]:
    """Give the identifiers of the patients of a source, as they were when it was de-identified."""
    refuse_impossible_name(source)
    tables = cohort_tables(source)[0] if (source / DESCRIPTOR).exists() else read_tables(source, delimiter).tables
    for name, frame in tables.items():
        if name != "flow":
            column = patient_column(frame, name, Choices(patient=patient))
            yield from fold_names(as_identifiers(frame[column])).names.dropna().unique()


def _refuse_target(target: Path, *, overwrite: bool) -> None:
    refuse_no_file(target)
    real = Path(os.path.realpath(target))
    inside = next((folder for folder in real.parents if (folder / DESCRIPTOR).exists()), None)
    if inside is not None:
        raise DeidentificationError(
            "The file would lie in a cohort folder, which goes to people who must not know the patients.",
            where=str(target),
            what_to_do=f"Name a file outside of {inside}, where only those may look who look after the patients.",
        )
    if target.is_symlink() or (target.exists() and not overwrite):
        raise CohortError(
            "There is a file of that name already.",
            where=str(target),
            what_to_do="Choose another name, or --overwrite.",
        )


def _write(text: str, target: Path, *, overwrite: bool) -> None:
    """Write whole or not at all, for the owner only; a file that came meanwhile stays unless it may be replaced."""
    part = target.with_name(f".{target.name}.part-{new_token()}")
    try:
        handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "w", encoding="utf-8", newline="") as stream:
            stream.write(text)
        if overwrite:
            part.replace(target)
            return
        _refuse_target(target, overwrite=False)
        part.rename(target)
    except OSError as error:
        raise CohortError(
            f"The file cannot be written: {error.strerror or error}.",
            where=str(target),
            what_to_do="Choose a place that you may write to.",
        ) from None
    finally:
        part.unlink(missing_ok=True)
