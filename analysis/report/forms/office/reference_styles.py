"""Styles of Word files and slides: pandoc's own reference file, as it gives it, with our styles in their place."""

import html
import io
import re
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Literal

Form = Literal["docx", "pptx"]

_STYLES = Path(__file__).resolve().parents[1] / "templates" / "word-styles.xml"
#: A bar of the accent colour at the top of every slide.
_BAR = (
    '<p:sp><p:nvSpPr><p:cNvPr id="90" name="Bar"/><p:cNvSpPr/><p:nvPr userDrawn="1"/></p:nvSpPr><p:spPr><a:xfrm>'
    '<a:off x="0" y="0"/><a:ext cx="9144000" cy="82296"/></a:xfrm><a:prstGeom prst="rect"><a:avLst/></a:prstGeom>'
    '<a:solidFill><a:schemeClr val="tx2"/></a:solidFill><a:ln><a:noFill/></a:ln></p:spPr></p:sp>'
)


#: Letters of a slide's title up to which it is set in that size (hundredths of a point): on two, three and four lines.
_TITLE_SIZES = ((84, 2000), (190, 1600), (280, 1400))
LONGEST_TITLE = _TITLE_SIZES[-1][0]
#: The same for the text under it.
_TEXT_SIZES = ((700, 1600), (1000, 1400), (1400, 1200))
LONGEST_TEXT = _TEXT_SIZES[-1][0]
_TABLE_SIZE = 1200


def with_our_styles(reference: bytes, form: Form) -> bytes:
    """Put our styles into the reference file of pandoc, anew each time, as the file is not ours to hand on."""
    return change_parts(reference, {"docx": _word_part, "pptx": _slide_part}[form])


def with_missing_styles(template: bytes) -> bytes:
    """Add those of our styles of Word that a user's template lacks; what it has stays as it is."""

    def change(name: str, text: str) -> str:
        if name != "word/styles.xml":
            return text
        known = set(re.findall(r'w:styleId="([^"]+)"', text))
        ours = re.findall(r"<w:style .*?</w:style>", _STYLES.read_text(encoding="utf-8"), flags=re.DOTALL)
        lacking = [style for style in ours if not set(re.findall(r'w:styleId="([^"]+)"', style)) & known]
        return text.replace("</w:styles>", f"{''.join(lacking)}</w:styles>")

    return change_parts(template, change)


def with_media_of(file: bytes, template: bytes) -> bytes:
    """Add the pictures of a template that pandoc left behind: it takes along those called image and a number."""
    stream = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(file)) as made,
        zipfile.ZipFile(io.BytesIO(template)) as source,
        zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as target,
    ):
        there = set(made.namelist())
        lacking = [one for one in source.namelist() if "/media/" in one and one not in there]
        types = source.read("[Content_Types].xml").decode("utf-8")
        for entry in made.infolist():
            part = made.read(entry)
            if entry.filename == "[Content_Types].xml" and lacking:
                part = _with_types(part.decode("utf-8"), types, lacking).encode("utf-8")
            target.writestr(zipfile.ZipInfo(entry.filename), part, zipfile.ZIP_DEFLATED)
        for name in lacking:
            target.writestr(zipfile.ZipInfo(name), source.read(name), zipfile.ZIP_DEFLATED)
    return stream.getvalue()


def _with_types(known: str, types: str, names: list[str]) -> str:
    """Name the types of further parts by their endings, as the template has them."""
    for ending in {name.rpartition(".")[2] for name in names}:
        default = re.search(rf'<Default\b[^>]*Extension="{re.escape(ending)}"[^>]*/>', types)
        start = re.search(r"<Types\b[^>]*>", known)
        if default and start and f'Extension="{ending}"' not in known:
            known = known[: start.end()] + default[0] + known[start.end() :]
    return known


def change_parts(file: bytes, change: Callable[[str, str], str]) -> bytes:
    """Write a file of Word or PowerPoint again, without the times of its entries.

    ``change`` is given the name and the text of each part and returns its text.
    """
    stream = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(file)) as source, zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as target:
        for entry in source.infolist():
            part = source.read(entry)
            if entry.filename.endswith(".xml"):
                part = change(entry.filename, part.decode("utf-8")).encode("utf-8")
            target.writestr(zipfile.ZipInfo(entry.filename), part, zipfile.ZIP_DEFLATED)
    return stream.getvalue()


def dark(slide: str) -> str:
    """Turn the colours of a slide's XML round: light words on the accent colour, as the first one has them."""
    accents = " ".join(f'accent{number}="accent{number}"' for number in range(1, 7))
    turned = (
        f'<a:overrideClrMapping bg1="dk2" tx1="lt1" bg2="dk1" tx2="lt2" {accents} hlink="hlink" folHlink="folHlink"/>'
    )
    known = re.sub(r"<p:clrMapOvr>.*?</p:clrMapOvr>", "", slide, flags=re.DOTALL)
    paper = '<p:bg><p:bgPr><a:solidFill><a:schemeClr val="dk2"/></a:solidFill><a:effectLst/></p:bgPr></p:bg>'
    known = re.sub(r"(<p:cSld[^>]*>)", rf"\1{paper}", known, count=1)
    return known.replace("</p:cSld>", f"</p:cSld><p:clrMapOvr>{turned}</p:clrMapOvr>", 1)


def with_whole_words(slide: str, *, every: bool = False) -> str:
    """Set the title of a slide's XML, and the text under it, in the largest size in which each keeps its place whole.

    The largest size is that of our master; ``every`` sets it too.
    """
    for place, sizes in (('type="title"', _TITLE_SIZES), ('idx="1"', _TEXT_SIZES)):
        shape = rf"<p:sp>(?:(?!</p:sp>).)*<p:ph {place}(?:(?!</p:sp>).)*</p:sp>"
        for found in re.findall(shape, slide, flags=re.DOTALL):
            slide = slide.replace(found, _sized(found, sizes, every=every))
    return slide


def with_small_tables(slide: str) -> str:
    """Set the words of tables in a slide's XML small enough that a row of many columns has room."""

    def smaller(found: re.Match[str]) -> str:
        return re.sub(r"<a:rPr(?![^>]* sz=)", f'<a:rPr sz="{_TABLE_SIZE}"', found[0])

    return re.sub(r"<a:tbl>.*?</a:tbl>", smaller, slide, flags=re.DOTALL)


def _sized(shape: str, sizes: tuple[tuple[int, int], ...], *, every: bool) -> str:
    """Set the words of a shape in the size for as many letters; the first size is that of the master."""
    letters = len(html.unescape("".join(re.findall(r"<a:t>(.*?)</a:t>", shape, flags=re.DOTALL))))
    size = next((size for most, size in sizes if letters <= most), sizes[-1][1])
    return shape if size == sizes[0][1] and not every else shape.replace("<a:rPr", f'<a:rPr sz="{size}"')


def _word_part(name: str, text: str) -> str:
    """Put our styles in the place of pandoc's, and set paper and margins."""
    if name == "word/styles.xml":
        ours = _STYLES.read_text(encoding="utf-8")
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
            ours_title = title[0].replace('algn="ctr"', 'algn="l"').replace('sz="3300"', 'sz="2000" b="1"')
            ours_title = ours_title.replace('schemeClr val="tx1"', 'schemeClr val="tx2"')
            text = text.replace(title[0], ours_title)
        for before, after in (("2400", "1600"), ("2100", "1400"), ("1800", "1300")):
            text = text.replace(f'sz="{before}" kern', f'sz="{after}" kern')
        text = text.replace("</p:grpSpPr>", f"</p:grpSpPr>{_BAR}", 1)
        return text.replace('anchor="ctr"><a:normAutofit/>', 'anchor="b"><a:normAutofit/>')
    return text
