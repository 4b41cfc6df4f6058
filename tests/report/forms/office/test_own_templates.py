"""A user's own Word or PowerPoint file as the template: its colours and its logo are in what is written, its faults are explained."""

import io
import re
import subprocess
import zipfile
from pathlib import Path

import pandas as pd
import pypandoc
import pytest

from analysis.errors import ReportError
from analysis.report import Figure, Passage, Table
from analysis.report.forms.document import Document, Shown
from analysis.report.forms.markdown import Heading
from analysis.report.forms.office.own_templates import read_templates
from analysis.report.forms.office.slides import document_to_slides
from analysis.report.forms.office.word import document_to_word
from analysis.report.parts.look import new_drawing

COLOUR = "AA1177"
PICTURE = (
    '<p:pic><p:nvPicPr><p:cNvPr id="77" name="Logo"/><p:cNvPicPr/><p:nvPr userDrawn="1"/></p:nvPicPr><p:blipFill>'
    '<a:blip r:embed="rIdLogo"/><a:stretch><a:fillRect/></a:stretch></p:blipFill><p:spPr><a:xfrm><a:off x="8000000" y="4500000"/>'
    '<a:ext cx="900000" cy="500000"/></a:xfrm><a:prstGeom prst="rect"><a:avLst/></a:prstGeom></p:spPr></p:pic>'
)
RELATION = '<Relationship Id="rIdLogo" Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/image" Target="{}"/>'


@pytest.fixture(scope="module")
def logo():
    """A picture that is on no page of a report."""
    from PIL import Image

    stream = io.BytesIO()
    Image.new("RGB", (90, 50), "#AA1177").save(stream, "PNG")
    return stream.getvalue()


def plain(form):
    program = Path(pypandoc.__file__).resolve().parent / "files" / "pandoc"
    return subprocess.run(
        [program, f"--print-default-data-file=reference.{form}"], capture_output=True, check=True
    ).stdout


def changed(file, change, **more):
    """Write an office file again: ``change`` takes name and text of each part, ``more`` are further parts."""
    stream = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(file)) as source, zipfile.ZipFile(stream, "w") as target:
        for name in source.namelist():
            text = source.read(name)
            target.writestr(name, change(name, text.decode()).encode() if name.endswith((".xml", ".rels")) else text)
        for name, content in more.items():
            target.writestr(name, content)
    return stream.getvalue()


@pytest.fixture(scope="module")
def own_slides(logo):
    def change(name, text):
        if re.fullmatch(r"ppt/theme/theme\d+\.xml", name):
            return re.sub(r"(<a:(?:dk2|accent1)><a:srgbClr val=\")[0-9A-F]{6}", rf"\g<1>{COLOUR}", text)
        if name == "ppt/slideMasters/slideMaster1.xml":
            return text.replace("</p:spTree>", f"{PICTURE}</p:spTree>", 1)
        if name == "ppt/slideMasters/_rels/slideMaster1.xml.rels":
            return text.replace("</Relationships>", f"{RELATION.format('../media/logo.png')}</Relationships>")
        if name == "[Content_Types].xml" and 'Extension="png"' not in text:
            return text.replace("<Default", '<Default Extension="png" ContentType="image/png"/><Default', 1)
        return text

    return changed(plain("pptx"), change, **{"ppt/media/logo.png": logo})


@pytest.fixture(scope="module")
def own_word(logo):
    """A template whose headings have another colour, and a header with a picture on every page."""
    word = "http://schemas.openxmlformats.org/wordprocessingml/2006/main"
    relations = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
    header = (
        f'<?xml version="1.0" encoding="UTF-8"?><w:hdr xmlns:w="{word}" xmlns:r="{relations}"><w:p><w:r><w:t>Our house</w:t></w:r>'
        "</w:p></w:hdr>"
    )

    def change(name, text):
        if name == "word/document.xml":
            section = f'<w:sectPr xmlns:r="{relations}"><w:headerReference w:type="default" r:id="rIdHead"/></w:sectPr></w:body>'
            return re.sub(r"(<w:sectPr.*?</w:sectPr>|<w:sectPr\s*/>)?\s*</w:body>", section, text, flags=re.DOTALL)
        if name == "word/_rels/document.xml.rels":
            head = f'<Relationship Id="rIdHead" Type="{relations}/header" Target="header1.xml"/>'
            return text.replace("</Relationships>", f"{head}</Relationships>")
        if name == "[Content_Types].xml":
            kind = "application/vnd.openxmlformats-officedocument.wordprocessingml.header+xml"
            return text.replace("</Types>", f'<Override PartName="/word/header1.xml" ContentType="{kind}"/></Types>')
        if name == "word/styles.xml":
            return re.sub(
                r'(w:styleId="Heading1".*?<w:color w:val=")[0-9A-Fa-f]{6}',
                rf"\g<1>{COLOUR}",
                text,
                count=1,
                flags=re.DOTALL,
            )
        return text

    return changed(plain("docx"), change, **{"word/header1.xml": header, "word/media/logo.png": logo})


@pytest.fixture(scope="module")
def document():
    def draw(width):
        drawing = new_drawing(width, 2.0)
        drawing.add_subplot().plot([0, 1], [2, 3])
        return drawing

    table = Table(pd.DataFrame({"week": [0, 1], "mean": [2, 3]}), "Mean by week.")
    figure = Figure("means", "Means", "Means by week.", "It rises.", table, draw, message="The mean rises")
    blocks = (Heading(1, "A title"), Passage(("Seen were 3.",), "answer"), Heading(2, "Means"), figure, table,
              Passage(("Be careful.",), "caution"))  # fmt: skip
    return Document((Shown("cell", blocks),))


def parts_of(file):
    archive = zipfile.ZipFile(io.BytesIO(file))
    return {name: archive.read(name) for name in archive.namelist()}


def test_slides_have_the_colours_and_the_logo_of_the_template(own_slides, document, logo, tmp_path):
    (tmp_path / "ours.pptx").write_bytes(own_slides)
    templates = read_templates([tmp_path / "ours.pptx"], ["html", "pptx"])
    made = parts_of(document_to_slides(document, stamp="now", template=templates["pptx"]))
    themes = "".join(text.decode() for name, text in made.items() if name.startswith("ppt/theme/theme"))
    assert f'<a:dk2><a:srgbClr val="{COLOUR}"' in themes
    assert "123F55" not in themes  # our own
    master = made["ppt/slideMasters/slideMaster1.xml"].decode()
    assert 'name="Logo"' in master
    assert 'name="Bar"' not in master
    assert logo in made.values()
    assert "overrideClrMapping" not in made["ppt/slides/slide1.xml"].decode()
    slides = [text.decode() for name, text in made.items() if re.fullmatch(r"ppt/slides/slide\d+\.xml", name)]
    assert len(slides) == 4
    titles = [re.search(r'<p:ph type="title".*?</p:sp>', text, flags=re.DOTALL) for text in slides]
    assert all('sz="2000"' in one[0] for one in titles if one)  # whatever the master has, a title keeps its place
    ours = parts_of(document_to_slides(document, stamp="now"))
    assert "123F55" in "".join(text.decode() for name, text in ours.items() if name.startswith("ppt/theme/theme"))


def test_a_word_file_has_the_colours_of_the_template_and_the_styles_that_it_lacks(own_word, document, logo, tmp_path):
    (tmp_path / "ours.docx").write_bytes(own_word)
    templates = read_templates([tmp_path / "ours.docx"], ["docx"])
    made = parts_of(document_to_word(document, stamp="now", template=templates["docx"]))
    assert logo in made.values()
    assert any(b"Our house" in text for name, text in made.items() if name.startswith("word/header"))
    assert b"headerReference" in made["word/document.xml"]
    styles = made["word/styles.xml"].decode()
    heading = re.search(r'w:styleId="Heading1".*?</w:style>', styles, flags=re.DOTALL)[0]
    assert COLOUR in heading
    for name in ("Answer", "Caution", "Notes"):
        assert len(re.findall(f'w:styleId="{name}"', styles)) == 1
    ours = parts_of(document_to_word(document, stamp="now"))["word/styles.xml"].decode()
    assert COLOUR not in ours


def _without_layout(name, text):
    return text.replace('name="Title and Content"', 'name="Titel und Inhalt"')


def _linked(name, text):
    link = RELATION.format("https://example.org/logo.png").replace("/>", ' TargetMode="External"/>')
    return (
        text.replace("</Relationships>", f"{link}</Relationships>") if name.endswith("slideMaster1.xml.rels") else text
    )


@pytest.mark.parametrize(
    ("name", "content", "message"),
    [
        ("ours.potx", "slides", "A template is a Word file (.docx) or a PowerPoint file (.pptx)."),
        ("ours.pptx", b"no zip", "The template is no PowerPoint file, or is damaged."),
        ("ours.docx", b"", "The template is no Word file, or is damaged."),
        ("ours.docx", "slides", "The template is no Word file, or is damaged."),
        ("ours.pptx", "cut", "The template is no PowerPoint file, or is damaged."),
        ("ours.pptx", None, "There is no such file."),
        ("ours.pptx", "no layout", "The template has no layout 'Title and Content'; layouts there: "),
        ("ours.pptx", "macros", "The template holds macros"),
        ("ours.pptx", "linked", "loads something from elsewhere whenever it is opened (ppt/slideMasters/_rels/slideMaster1.xml.rels)"),
    ],
)  # fmt: skip
def test_what_is_no_template_is_explained(own_slides, tmp_path, name, content, message):
    made = {
        "slides": own_slides, "cut": own_slides[:-4000], "no layout": changed(own_slides, _without_layout),
        "macros": changed(own_slides, lambda _, text: text, **{"ppt/vbaProject.bin": b"x"}),
        "linked": changed(own_slides, _linked),
    }  # fmt: skip
    if content is not None:
        (tmp_path / name).write_bytes(content if isinstance(content, bytes) else made[content])
    with pytest.raises(ReportError) as caught:
        read_templates([tmp_path / name], ["docx", "pptx"])
    assert message in str(caught.value)
    assert caught.value.what_to_do


def test_two_of_one_form_and_one_for_no_form_are_refused(own_slides, tmp_path):
    for name in ("a.pptx", "b.pptx"):
        (tmp_path / name).write_bytes(own_slides)
    with pytest.raises(ReportError, match="There are two templates for pptx"):
        read_templates([tmp_path / "a.pptx", tmp_path / "b.pptx"], ["pptx"])
    with pytest.raises(ReportError, match="for a form that is not written: pptx"):
        read_templates([tmp_path / "a.pptx"], ["html", "docx"])
