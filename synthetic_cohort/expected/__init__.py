"""What is expected of all: the courses of the measures, and their means as values are read.

- ``courses``: Courses by week: the mean of a measure under the reference protocol, and what a protocol adds to it.
- ``expectation``: Means and spread on the observed scale: of values once they are bounded and read off an instrument.
"""
