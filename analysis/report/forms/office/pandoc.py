"""Pandoc, run on a document that names no file but its own pictures, with our own reference documents for styles."""

import importlib
import json
import os
import re
import subprocess
import sys
from collections.abc import Collection, Sequence
from functools import cache
from pathlib import Path

from analysis.errors import ReportError
from analysis.report.forms.office.blocks import Node
from analysis.report.forms.office.reference_styles import (
    Form,
    change_parts,
    dark,
    with_media_of,
    with_missing_styles,
    with_our_styles,
    with_small_tables,
    with_whole_words,
)
from analysis.report.forms.paper import PNG
from analysis.writing.owners import temporary_folder

_TIME_LIMIT = 300
#: Version of the document format that the blocks are written in.
_FORMAT = [1, 23, 1]
#: Entries of the files that pandoc writes get this time, so that the same report has the same bytes.
_EPOCH = "1735689600"
_OTHER_LAYOUT = re.compile(r"Couldn't find layout named|layout that no longer|Falling back to default")


class Pictures:
    """The pictures of a document, by the name of the file that lies beside it."""

    def __init__(self) -> None:
        self.files: dict[str, bytes] = {}

    def add(self, picture: bytes) -> str:
        """Keep a picture; return the name of its file."""
        name = f"picture-{len(self.files) + 1}.{'png' if picture[:4] == PNG else 'jpg'}"
        self.files[name] = picture
        return name


def write_office(
    blocks: Sequence[Node], pictures: Pictures, form: Form, *, title: str, template: bytes | None = None
) -> bytes:
    """Write a Word or PowerPoint file of blocks (:mod:`analysis.report.forms.office.blocks`) and the pictures named in them.

    A template takes the place of our own reference document.

    Raises
    ------
    ReportError
        Pandoc is not installed, fails, or warns that something is missing in the file.
    """
    meta = {name: {"t": "MetaString", "c": text} for name, text in (("lang", "en"), ("pagetitle", title))}
    with temporary_folder() as folder:
        for file, picture in pictures.files.items():
            (folder / file).write_bytes(picture)
        document = {"pandoc-api-version": _FORMAT, "meta": meta, "blocks": list(blocks)}
        (folder / "report.json").write_text(json.dumps(document), encoding="utf-8")
        own = with_missing_styles(template) if template is not None and form == "docx" else template
        (folder / "reference").write_bytes(_reference(form) if own is None else own)
        said = _run(["--from=json", f"--to={form}", "--slide-level=1", "--reference-doc=reference", "--output=report",
                     "report.json"], folder)  # fmt: skip
        if own is not None:  # layouts that no slide of a report has
            said = "\n".join(line for line in said.splitlines() if not _OTHER_LAYOUT.search(line))
        if said.strip():
            raise ReportError(
                f"The {form} file would not be complete.",
                where=said.strip().splitlines()[0],
                what_to_do="Make the report as html, and tell the maintainers.",
            )
        made = (folder / "report").read_bytes()
    if own is not None:
        made = with_media_of(made, own)
    return _finished(made, pictures.files, own=own is not None) if form == "pptx" else made


def _finished(file: bytes, names: Collection[str], *, own: bool) -> bytes:
    """Keep the alternative texts of the pictures on slides, to which pandoc adds the names of their files; fit the words.

    In an ``own`` template the first slide keeps its background, and every size is set, as that of its master is not ours.
    """

    def change(part: str, text: str) -> str:
        if part == "ppt/slides/slide1.xml" and not own:
            text = dark(text)
        if part.startswith("ppt/slides/slide"):
            text = with_small_tables(with_whole_words(text, every=own))
        for name in names if part.startswith("ppt/slides/slide") else ():
            text = text.replace(f'\n\n{name}"', '"')
        return text

    return change_parts(file, change)


@cache
def _reference(form: Form) -> bytes:
    arguments = [_path(), f"--print-default-data-file=reference.{form}"]
    return with_our_styles(subprocess.run(arguments, capture_output=True, check=True, timeout=_TIME_LIMIT).stdout, form)


def _run(arguments: list[str], folder: Path) -> str:
    environment = {**os.environ, "SOURCE_DATE_EPOCH": _EPOCH}
    try:
        done = subprocess.run(
            [_path(), *arguments], capture_output=True, check=False, timeout=_TIME_LIMIT, env=environment, text=True,
            cwd=folder,
        )  # fmt: skip
    except subprocess.TimeoutExpired as error:
        raise ReportError("Pandoc took too long.", what_to_do="Choose html, or a smaller cohort.") from error
    if done.returncode:
        raise ReportError(
            "Pandoc could not write the file.",
            where=done.stderr.strip().splitlines()[0] if done.stderr.strip() else f"exit code {done.returncode}",
            what_to_do="Make the report as html, and tell the maintainers.",
        )
    return done.stderr


@cache
def _path() -> str:
    """Give the pandoc that came with pypandoc-binary, or with the conda environment; no other is looked for or run."""
    try:
        package = Path(str(importlib.import_module("pypandoc").__file__)).resolve().parent
    except ImportError as error:
        raise _not_there() from error
    program = "pandoc.exe" if os.name == "nt" else "pandoc"
    places = [package / "files" / program]
    if (Path(sys.prefix) / "conda-meta").is_dir():
        places.append(Path(sys.prefix, *(("Library", "bin") if os.name == "nt" else ("bin",)), program))
    for place in places:
        if place.is_file():
            return str(place)
    raise _not_there()


def _not_there() -> ReportError:
    return ReportError(
        "Word and PowerPoint files need the package pypandoc-binary.",
        what_to_do="Install it: pip install pypandoc-binary, or choose another format.",
    )
