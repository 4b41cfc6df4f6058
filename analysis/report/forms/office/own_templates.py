"""A user's own Word or PowerPoint file as the template of a report: looked through before anything is run or written."""

import io
import re
import zipfile
from collections.abc import Sequence
from pathlib import Path

from analysis.cohort.files.paths import refuse_impossible_name
from analysis.errors import ReportError
from analysis.report.forms.office.reference_styles import Form

#: The layout that every slide of a report has, by the name that the program gives it in English.
SLIDE_LAYOUT = "Title and Content"
_NAMES = {"docx": "Word", "pptx": "PowerPoint"}
#: Parts without which a file is not of that form.
_PARTS = {
    "docx": ("[Content_Types].xml", "word/document.xml", "word/styles.xml"),
    "pptx": ("[Content_Types].xml", "ppt/presentation.xml", "ppt/slideMasters/slideMaster1.xml"),
}
#: Bytes of a file, and of all that is in it.
_LARGEST, _LARGEST_UNPACKED = 50_000_000, 300_000_000
_OUTSIDE = re.compile(r"<Relationship\b[^>]*TargetMode=\"External\"[^>]*>")


def read_templates(files: Sequence[Path | str], formats: Sequence[str]) -> dict[Form, bytes]:
    """Read templates, at most one a form.

    Parameters
    ----------
    files : sequence of Path or str
        Files that end in .docx or .pptx: theirs are the colours, the fonts, the paper, and what stands on every page or slide.
    formats : sequence of str
        The forms that are written.

    Returns
    -------
    dict of {"docx", "pptx"} to bytes
        The files, by form.

    Raises
    ------
    ReportError
        A file ends in neither, is not there, too large or damaged, holds macros or loads something from elsewhere, has not the
        layout that slides need, or is for a form that is not written.

    Examples
    --------
    >>> read_templates(["ours.odt"], ["docx"])
    Traceback (most recent call last):
    ...
    analysis.errors.ReportError: A template is a Word file (.docx) or a PowerPoint file (.pptx).
      where: template ours.odt
      what to do: Save it as one of these.
    """
    found: dict[Form, bytes] = {}
    for file in map(Path, files):
        form = file.suffix.lower().removeprefix(".")
        if form not in _PARTS:
            raise _refused(
                file, "A template is a Word file (.docx) or a PowerPoint file (.pptx).", "Save it as one of these."
            )
        if form in found:
            raise _refused(file, f"There are two templates for {form}.", "Give one.")
        if form not in formats:
            raise _refused(
                file,
                f"The template is for a form that is not written: {form}.",
                f"Add {form} to --format, or leave it out.",
            )
        found[form] = _read(file, form)  # type: ignore[index,arg-type]
    return found


def _read(file: Path, form: Form) -> bytes:
    refuse_impossible_name(file, error=ReportError)
    if not file.is_file():
        raise _refused(file, "There is no such file.", "Check the path.")
    name = _NAMES[form]
    if file.stat().st_size > _LARGEST:
        raise _refused(file, f"The template is larger than {_LARGEST // 1_000_000} MB.", "Make its pictures smaller.")
    held = file.read_bytes()
    try:
        with zipfile.ZipFile(io.BytesIO(held)) as parts:
            names = parts.namelist()
            if sum(one.file_size for one in parts.infolist()) > _LARGEST_UNPACKED:
                raise _refused(file, "What is in the template is too large.", "Make its pictures smaller.")
            broken = parts.testzip()
            texts = {
                one: parts.read(one).decode("utf-8") for one in names if one.endswith((".xml", ".rels")) and not broken
            }
    except (
        zipfile.BadZipFile,
        NotImplementedError,  # what zipfile raises of a compression that it does not know
        RuntimeError,
        EOFError,
        UnicodeDecodeError,
        OSError,
        ValueError,
    ) as error:
        raise _refused(
            file, f"The template is no {name} file, or is damaged.", f"Save it again with {name}."
        ) from error
    if broken or any(part not in names for part in _PARTS[form]):
        raise _refused(file, f"The template is no {name} file, or is damaged.", f"Save it again with {name}.")
    if any("vbaProject" in one for one in names):
        raise _refused(
            file, "The template holds macros, which a report must not bring.", f"Save it as .{form}, without macros."
        )
    for part, text in texts.items():
        outside = [
            one for one in _OUTSIDE.findall(text) if not one.split('Type="')[-1].split('"')[0].endswith("/hyperlink")
        ]
        if outside:
            raise _refused(
                file, f"The template loads something from elsewhere whenever it is opened ({part}).",
                "Put pictures into the file instead of linking them.",
            )  # fmt: skip
    if form == "pptx":
        _refuse_without_layout(file, texts)
    return held


def _refuse_without_layout(file: Path, texts: dict[str, str]) -> None:
    known = [
        found[1]
        for part, text in texts.items()
        if re.fullmatch(r"ppt/slideLayouts/slideLayout\d+\.xml", part)
        and (found := re.search(r'<p:cSld name="([^"]*)"', text))
    ]
    if SLIDE_LAYOUT not in known:
        raise _refused(
            file, f"The template has no layout {SLIDE_LAYOUT!r}; layouts there: {', '.join(known) or 'none'}.",
            f"Rename the layout of a slide with a title and one content to {SLIDE_LAYOUT} (View, Slide Master, Rename Layout).",
        )  # fmt: skip


def _refused(file: Path, what: str, what_to_do: str) -> ReportError:
    return ReportError(what, where=f"template {file}", what_to_do=what_to_do)
