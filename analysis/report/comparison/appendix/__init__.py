"""The appendix of a protocol comparison, in the order of the report.

- ``filled``: Analyses of completed data as they are shown: at the level of the verdicts, and of states counted together.
- ``sensitivity``: Whether the finding hangs on who was missing, the error of measurement or the fit of the model.
- ``counted_or_expected``: Why the responders counted and those expected can tell two stories, said where they do.
- ``other_counts``: The responders counted in other ways: adjusted, repeated, kept, both directions, symmetry.
- ``home_detail``: Home sessions and recovery in more detail, each number labelled by what it can and cannot say.
"""
