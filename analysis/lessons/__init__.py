"""Lessons: the learner's tools. Lessons may import everything; nothing imports lessons.

- ``source``: one Markdown file a lesson; the learner's and the instructor's notebook are derived from it by tags.
- ``lesson``: what every lesson has: data with a seed, exercises, progress.
- ``lesson_table``: tables and numbers as learners see them: with their unit and few digits, and not rounded.
- ``drawing``: figures: the look of the reports, with a sentence and a table that say the same.
- ``sliders``: a slider that redraws a figure where a kernel runs, and a still picture of all its steps.
- ``exercises``: an answer is compared with the truth of the data, and the hint depends on the answer given.
- ``exercise_words``: the words of the exercises, one TOML file a lesson, put together with what the data give.
- ``header``: the look of the course: a header, one accent colour, boxes for what to remember.
- ``choosing``: a question answered by a click: options to choose from, by mouse or keyboard.
- ``feedback``: what a learner is told: about an answer, and where one is still missing.
- ``glossary``: every term of the lessons in plain words.
- ``progress``: what a learner answered, kept in one file of the working folder.
- ``certificate``: what was done in the lessons, one HTML file that stands alone.
- ``copy_lessons``: a working folder with the lessons.

Rooms: ``course``, the lessons one by one; ``course_map``, the start page; ``recall``, questions on earlier lessons;
``capstone``, the report at the end; ``teaching``, for the instructor of a class.
"""

from analysis.lessons.certificate import write_certificate
from analysis.lessons.copy_lessons import copy_lessons
from analysis.lessons.course.lesson_list import start_lesson
from analysis.lessons.course_map.course import start_course
from analysis.lessons.lesson import Lesson
from analysis.lessons.progress import Progress
from analysis.lessons.recall.quiz import start_quiz
from analysis.lessons.source import lesson_notebook, lesson_sources
from analysis.lessons.teaching.class_summary import class_summary
from analysis.lessons.teaching.lesson_slides import lesson_slides

__all__ = [
    "Lesson",
    "Progress",
    "class_summary",
    "copy_lessons",
    "lesson_notebook",
    "lesson_slides",
    "lesson_sources",
    "start_course",
    "start_lesson",
    "start_quiz",
    "write_certificate",
]
