"""Lessons that are made once."""

import pytest

from analysis.lessons import start_lesson


@pytest.fixture(scope="session")
def lesson_of(tmp_path_factory):
    """Give a lesson by number and seed; each is made once."""
    folder, made = tmp_path_factory.mktemp("lessons"), {}

    def give(number, seed=1):
        if (number, seed) not in made:
            made[number, seed] = start_lesson(number, seed=seed, folder=folder)
        return made[number, seed]

    return give
