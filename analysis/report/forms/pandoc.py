"""Pandoc, run without network or files of its own choosing, with our own reference documents for its styles."""

from __future__ import annotations

import importlib
import io
import os
import re
import subprocess
import zipfile
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Literal

from analysis.errors import ReportError

if TYPE_CHECKING:
    from collections.abc import Callable

Form = Literal["docx", "pptx"]

TEMPLATES = Path(__file__).resolve().parent / "templates"
_TIME_LIMIT = 300
#: Entries of the files that pandoc writes get this time, so that the same report has the same bytes.
_EPOCH = "1735689600"
#: A bar of the accent colour at the top of every slide.
_BAR = (
    '<p:sp><p:nvSpPr><p:cNvPr id="90" name="Bar"/><p:cNvSpPr/><p:nvPr userDrawn="1"/></p:nvSpPr><p:spPr><a:xfrm>'
    '<a:off x="0" y="0"/><a:ext cx="9144000" cy="82296"/></a:xfrm><a:prstGeom prst="rect"><a:avLst/></a:prstGeom>'
    '<a:solidFill><a:schemeClr val="tx2"/></a:solidFill><a:ln><a:noFill/></a:ln></p:spPr></p:sp>'
)


def html_to_office(page: str, form: Form, *, title: str, language: str = "en") -> bytes:
    """Turn a page into a Word or PowerPoint file.

    Parameters
    ----------
    page : str
        HTML whose pictures are data addresses.
    form : {"docx", "pptx"}
        The form.
    title : str
        Title of the file.
    language : str
        Language tag.

    Returns
    -------
    bytes
        The file.

    Raises
    ------
    ReportError
        Pandoc is not installed, fails, or warns that something is missing in the file.
    """
    with TemporaryDirectory(prefix="kneecurve-") as name:
        folder = Path(name)
        (folder / "reference").write_bytes(reference_document(form))
        (folder / "report.html").write_text(page, encoding="utf-8")
        arguments = [
            "--from=html-native_divs+native_divs", f"--to={form}", "--sandbox", "--slide-level=1",
            f"--reference-doc={folder / 'reference'}", f"--metadata=lang:{language}", f"--metadata=pagetitle:{title}",
            f"--output={folder / 'report'}", str(folder / "report.html"),
        ]  # fmt: skip
        said = _run(arguments)
        if said.strip():
            raise ReportError(
                f"The {form} file would not be complete.",
                where=said.strip().splitlines()[0],
                what_to_do="Make the report as html, and tell the maintainers.",
            )
        return _change_parts((folder / "report").read_bytes(), _without_addresses)


@cache
def reference_document(form: Form) -> bytes:
    """Return the reference document of a form: pandoc's own parts with our styles in their place.

    Parameters
    ----------
    form : {"docx", "pptx"}
        The form.
    """
    raw = subprocess.run(
        [_path(), f"--print-default-data-file=reference.{form}"], capture_output=True, check=True, timeout=_TIME_LIMIT
    ).stdout
    return _change_parts(raw, {"docx": _word_part, "pptx": _slide_part}[form])


def _change_parts(file: bytes, change: Callable[[str, str], str]) -> bytes:
    """Write a file of Word or PowerPoint again, its parts changed, without the times of its entries."""
    stream = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(file)) as source, zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as target:
        for entry in source.infolist():
            part = source.read(entry)
            if entry.filename.endswith(".xml"):
                part = change(entry.filename, part.decode("utf-8")).encode("utf-8")
            target.writestr(zipfile.ZipInfo(entry.filename), part, zipfile.ZIP_DEFLATED)
    return stream.getvalue()


def _without_addresses(name: str, text: str) -> str:  # noqa: ARG001
    """Keep the alternative text of pictures; pandoc adds the address of the picture, which is the picture itself."""
    return re.sub(r'(descr="[^"]*?)(?:\s|&#10;)*data:image/[^"]*"', r'\1"', text)


def _word_part(name: str, text: str) -> str:
    """Put our styles in the place of pandoc's, and set paper and margins."""
    if name == "word/styles.xml":
        ours = (TEMPLATES / "word-styles.xml").read_text(encoding="utf-8")
        for style in re.findall(r"<w:style .*?</w:style>", ours, flags=re.DOTALL):
            identity = re.search(r'w:styleId="([^"]+)"', style)
            known = rf'<w:style [^>]*w:styleId="{identity[1] if identity else ""}".*?</w:style>'
            theirs = re.search(known, text, flags=re.DOTALL)
            text = text.replace(theirs[0], style) if theirs else text.replace("</w:styles>", f"{style}</w:styles>")
        defaults = re.search(r"<w:docDefaults>.*?</w:docDefaults>", ours, flags=re.DOTALL)
        return re.sub(r"<w:docDefaults>.*?</w:docDefaults>", defaults[0] if defaults else "", text, flags=re.DOTALL)
    if name == "word/document.xml":
        page = '<w:sectPr><w:pgSz w:w="11906" w:h="16838"/><w:pgMar w:top="1134" w:right="1247" w:bottom="1134" '
        page += 'w:left="1247" w:header="600" w:footer="600" w:gutter="0"/></w:sectPr>'
        return re.sub(r"<w:sectPr.*?</w:sectPr>|<w:sectPr\s*/>", page, text, flags=re.DOTALL)
    return text


def _slide_part(name: str, text: str) -> str:
    """Set colours, fonts and sizes of the slides."""
    if re.fullmatch(r"ppt/theme/theme\d+\.xml", name):
        text = text.replace('<a:latin typeface="Calibri"/>', '<a:latin typeface="Georgia"/>', 1)
        text = text.replace('<a:latin typeface="Calibri"/>', '<a:latin typeface="Arial"/>')
        text = text.replace('<a:sysClr val="windowText" lastClr="000000"/>', '<a:srgbClr val="20262B"/>')
        ours = ("123F55", "F4F7F8", "0067A3", "B84A00", "00755A", "9C3F7E", "7A6200", "4A5FC1", "0067A3", "56606A")
        slots = ("dk2", "lt2", "accent1", "accent2", "accent3", "accent4", "accent5", "accent6", "hlink", "folHlink")
        for slot, colour in zip(slots, ours, strict=True):
            text = re.sub(rf"(<a:{slot}><a:srgbClr val=\")[0-9A-F]{{6}}", rf"\g<1>{colour}", text)
        return text
    if name == "ppt/slideMasters/slideMaster1.xml":
        title = re.search(r"<p:titleStyle>.*?</p:titleStyle>", text, flags=re.DOTALL)
        if title:
            ours_title = title[0].replace('algn="ctr"', 'algn="l"').replace('sz="3300"', 'sz="2200" b="1"')
            ours_title = ours_title.replace('schemeClr val="tx1"', 'schemeClr val="tx2"')
            text = text.replace(title[0], ours_title)
        for before, after in (("2400", "1600"), ("2100", "1400"), ("1800", "1300")):
            text = text.replace(f'sz="{before}" kern', f'sz="{after}" kern')
        text = text.replace("</p:grpSpPr>", f"</p:grpSpPr>{_BAR}", 1)
        return text.replace('anchor="ctr"><a:normAutofit/>', 'anchor="b"><a:normAutofit/>')
    return text


def _run(arguments: list[str]) -> str:
    environment = {**os.environ, "SOURCE_DATE_EPOCH": _EPOCH}
    try:
        done = subprocess.run(
            [_path(), *arguments], capture_output=True, check=False, timeout=_TIME_LIMIT, env=environment, text=True
        )
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
    try:
        return str(importlib.import_module("pypandoc").get_pandoc_path())
    except (ImportError, OSError) as error:
        raise ReportError(
            "Word and PowerPoint files need the package pypandoc-binary.",
            what_to_do="Install it: pip install pypandoc-binary, or choose another format.",
        ) from error
