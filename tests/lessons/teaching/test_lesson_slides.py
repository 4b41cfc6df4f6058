"""Slides of the lessons: two figures each, with what they show in the notes."""

import io
import re
import zipfile

import pytest

from analysis.errors import ReportError
from analysis.lessons import lesson_slides, lesson_sources
from analysis.lessons.course.lesson_list import LESSONS
from analysis.lessons.teaching.lesson_slides import FIGURES


def test_every_lesson_has_two_figures():
    assert set(FIGURES) == set(LESSONS)


def test_another_ending_and_a_file_that_is_there_are_refused(tmp_path):
    with pytest.raises(ReportError, match="Slides are written as PowerPoint"):
        lesson_slides(tmp_path / "slides.pdf")
    (tmp_path / "slides.pptx").write_bytes(b"mine")
    with pytest.raises(ReportError, match="The file is there already"):
        lesson_slides(tmp_path / "slides.pptx")
    assert (tmp_path / "slides.pptx").read_bytes() == b"mine"


@pytest.mark.slow
def test_two_slides_a_lesson_with_a_picture_and_what_it_shows(tmp_path):
    path = lesson_slides(tmp_path / "slides.pptx")
    archive = zipfile.ZipFile(io.BytesIO(path.read_bytes()))
    numbers = range(1, 2 * len(lesson_sources()) + 2)
    slides = [archive.read(f"ppt/slides/slide{number}.xml").decode() for number in numbers]
    assert f"ppt/slides/slide{len(numbers) + 1}.xml" not in archive.namelist()
    titles = ["".join(re.findall(r"<a:t>(.*?)</a:t>", slide)).replace("\u00a0", " ") for slide in slides]
    assert titles[0].startswith("Figures of the lessons")
    assert "treating clinician" in titles[0]
    assert [int(re.match(r"Lesson (\d)\. ", one)[1]) for one in titles[1:]] == [n for n in range(1, 9) for _ in (0, 1)]
    assert len(set(titles)) == len(titles)
    assert all(slide.count("<p:pic>") == 1 for slide in slides[1:])
    said = [archive.read(f"ppt/notesSlides/notesSlide{number}.xml").decode() for number in range(1, len(numbers))]
    assert all(len("".join(re.findall(r"<a:t>(.*?)</a:t>", one))) > 60 for one in said)
    assert [one.name for one in tmp_path.iterdir()] == ["slides.pptx"]
