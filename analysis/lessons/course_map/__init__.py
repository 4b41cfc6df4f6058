"""The map of the course, for its start page.

- ``facts``: what a lesson is about, how long it takes, which of the fifteen errors it treats; read from its source.
- ``course``: the map, the next lesson and the fifteen errors as a learner sees them, with links to the notebooks.
"""
