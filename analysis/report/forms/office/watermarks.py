"""What stands on every page of a Word file and on every slide: a line in the header, a box at the top."""

import io
import re
import zipfile
from html import escape

from analysis.report.forms.office.reference_styles import change_parts

_COLOUR = "8C2D2D"
_HEADER, _IDENTITY = "word/header_mark.xml", "rIdMark"
_W = "http://schemas.openxmlformats.org/wordprocessingml/2006/main"
_R = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
_TYPE = "application/vnd.openxmlformats-officedocument.wordprocessingml.header+xml"


def marked_word(file: bytes, words: str) -> bytes:
    """Put words into the header of every page of a Word file; they take the place of another header."""
    header = (
        f'<?xml version="1.0" encoding="UTF-8" standalone="yes"?><w:hdr xmlns:w="{_W}"><w:p><w:pPr><w:jc w:val="center"/>'
        f'</w:pPr><w:r><w:rPr><w:b/><w:color w:val="{_COLOUR}"/><w:sz w:val="18"/></w:rPr><w:t>{escape(words)}</w:t></w:r>'
        "</w:p></w:hdr>"
    )

    def change(name: str, text: str) -> str:
        if name == "[Content_Types].xml":
            override = f'<Override PartName="/{_HEADER}" ContentType="{_TYPE}"/>'
            return text.replace("</Types>", f"{override}</Types>")
        if name == "word/document.xml":
            reference = f'<w:headerReference w:type="default" r:id="{_IDENTITY}" xmlns:r="{_R}"/>'
            text = re.sub(r"<w:headerReference\b[^>]*/>|<w:titlePg\b[^>]*/>|<w:evenAndOddHeaders\b[^>]*/>", "", text)
            text = re.sub(r"<w:sectPr\b([^>]*?)\s*/>", r"<w:sectPr\1></w:sectPr>", text)
            return re.sub(r"(<w:sectPr\b[^>]*>)", lambda found: found[0] + reference, text)
        return text

    stream = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(change_parts(file, change))) as source,
        zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as target,
    ):
        for entry in source.infolist():
            part = source.read(entry)
            if entry.filename == "word/_rels/document.xml.rels":
                link = f'<Relationship Id="{_IDENTITY}" Type="{_R}/header" Target="{_HEADER.removeprefix("word/")}"/>'
                part = part.replace(b"</Relationships>", f"{link}</Relationships>".encode())
            target.writestr(zipfile.ZipInfo(entry.filename), part, zipfile.ZIP_DEFLATED)
        target.writestr(zipfile.ZipInfo(_HEADER), header, zipfile.ZIP_DEFLATED)
    return stream.getvalue()


def marked_slides(file: bytes, words: str) -> bytes:
    """Put a box with words at the foot of every slide."""

    def change(name: str, text: str) -> str:
        if not re.fullmatch(r"ppt/slides/slide\d+\.xml", name):
            return text
        return text.replace("</p:spTree>", f"{_box(words)}</p:spTree>", 1)

    return change_parts(file, change)


def _box(words: str) -> str:
    return (
        '<p:sp><p:nvSpPr><p:cNvPr id="9001" name="Mark"/><p:cNvSpPr txBox="1"/><p:nvPr/></p:nvSpPr><p:spPr><a:xfrm>'
        '<a:off x="0" y="4886325"/><a:ext cx="9144000" cy="257175"/></a:xfrm><a:prstGeom prst="rect"><a:avLst/></a:prstGeom>'
        f'<a:solidFill><a:srgbClr val="{_COLOUR}"/></a:solidFill></p:spPr><p:txBody><a:bodyPr wrap="square" anchor="ctr" '
        'tIns="0" bIns="0"/><a:lstStyle/><a:p><a:pPr algn="ctr"/><a:r><a:rPr lang="en" sz="1000" b="1"><a:solidFill>'
        f'<a:srgbClr val="FFFFFF"/></a:solidFill></a:rPr><a:t>{escape(words)}</a:t></a:r></a:p></p:txBody></p:sp>'
    )
