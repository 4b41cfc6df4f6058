"""The Word file and the slides opened by LibreOffice, and the PDF of a whole report: pages counted, words in order."""

import re
import shutil
import subprocess
import zipfile
from html import unescape

import pytest
from pypdf import PdfReader

pytestmark = pytest.mark.slow

SECTIONS = (
    "Protocol comparison", "In short", "Recovery curves", "Differences by week", "Table 1", "At the start", "Harms",
    "What is estimated", "Methods in words", "Reporting checklist",
)  # fmt: skip


def words(path):
    pages = [page.extract_text() for page in PdfReader(path).pages]
    return pages, " ".join(" ".join(pages).replace("\u00a0", " ").split())


def in_order(text):
    """Find every section after the one before it; sentences may name a section earlier."""
    place = 0
    for phrase in SECTIONS:
        assert phrase in text[place:], phrase
        place = text.index(phrase, place) + len(phrase)


@pytest.fixture(scope="module")
def opened(report, tmp_path_factory):
    """Give a function that has LibreOffice turn a file into PDF."""
    office = shutil.which("soffice") or shutil.which("libreoffice")
    if office is None:
        pytest.skip("no LibreOffice on this machine (Debian: apt-get install libreoffice-writer libreoffice-impress)")
    root = tmp_path_factory.mktemp("office")

    def open_file(path):
        profile = f"-env:UserInstallation={(root / 'profile').as_uri()}"
        done = subprocess.run(
            [office, profile, "--headless", "--convert-to", "pdf", "--outdir", str(root / path.suffix[1:]), str(path)],
            check=True, capture_output=True, text=True, timeout=300,
        )  # fmt: skip
        made = root / path.suffix[1:] / f"{path.stem}.pdf"
        assert made.is_file(), done.stdout + done.stderr
        return made

    return open_file


def test_one_run_gives_all_four_forms(report):
    assert [path.suffix for path in report.paths()] == [".json", ".ipynb", ".pdf", ".docx", ".pptx", ".tables", ".html"]
    assert report.html.stat().st_size < 3_000_000


def test_the_pdf_has_its_sections_in_order(report):
    pages, text = words(report.pdf)
    assert 8 <= len(pages) <= 16
    in_order(text)
    assert all(page.strip() for page in pages)


def test_word_opens_with_every_section_and_table(report, opened):
    pages, text = words(opened(report.word))
    assert 8 <= len(pages) <= 60
    in_order(text)
    with zipfile.ZipFile(report.word) as archive:
        body = archive.read("word/document.xml").decode("utf-8")
    assert len(re.findall("<w:tbl>", body)) >= 20


def test_slides_open_one_page_each_with_their_message(report, opened):
    with zipfile.ZipFile(report.slides) as archive:
        names = [name for name in archive.namelist() if re.fullmatch(r"ppt/slides/slide\d+\.xml", name)]
        notes = [name for name in archive.namelist() if re.fullmatch(r"ppt/notesSlides/notesSlide\d+\.xml", name)]
        slides = [archive.read(f"ppt/slides/slide{number + 1}.xml").decode("utf-8") for number in range(len(names))]
    pages, _ = words(opened(report.slides))
    assert len(pages) == len(names) == len(notes) <= 11
    for page, slide in zip(pages, slides, strict=True):
        title = unescape(re.search(r"<a:t>(.*?)</a:t>", slide)[1]).replace("\u00a0", " ")
        assert title.split()[0] in page.replace("\u00a0", " ")
