"""For the instructor of a class.

- ``class_summary``: what the learners of a class did and where they erred, from their progress files.
- ``lesson_slides``: two figures of each lesson as slides.
"""
