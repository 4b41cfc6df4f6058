"""Lessons: the learner's tools. Lessons may import everything; nothing imports lessons."""

from analysis.lessons.certificate import write_certificate
from analysis.lessons.copy_lessons import copy_lessons
from analysis.lessons.course.lesson_list import start_lesson
from analysis.lessons.lesson import Lesson
from analysis.lessons.progress import Progress
from analysis.lessons.source import lesson_notebook, lesson_sources

__all__ = [
    "Lesson",
    "Progress",
    "copy_lessons",
    "lesson_notebook",
    "lesson_sources",
    "start_lesson",
    "write_certificate",
]
