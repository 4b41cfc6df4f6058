"""What is written is there whole or not at all, and what a process that died left behind is tidied up.

- ``owners``: which process writes: marks in names, locks that two never hold, folders for what is needed a while.
- ``swaps``: a new folder takes the place of the old one in one step, or in steps that the next command finishes.
- ``texts``: a text written to a file that is there whole or not at all.
"""
