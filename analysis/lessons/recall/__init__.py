"""Questions on earlier lessons: three at the start of each lesson from the second on, and a quiz of twenty at the end.

- ``bank``: the questions, in ``bank.toml``.
- ``draw``: which of them a lesson asks, and which the quiz, by a seed; none is asked twice.
- ``asked``: questions one below the other, answered by a click, counted apart from the exercises.
- ``quiz``: the quiz, and what came of it.
"""
