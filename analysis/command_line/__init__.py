"""The commands of the command line, each thin: one call of the library, what it did, and what to open next.

- ``folders``: Folders to work and to look around in: ``demo``, ``notebooks``.
- ``importing``: A file becomes a cohort folder: ``import``, ``map-reference``.
- ``cohorts``: Cohorts are checked and freed of identifiers: ``check``, ``deidentify``, ``reidentify``, ``measures``.
- ``network``: Counts of several sites without a row of a patient: ``aggregate``, ``combine``.
- ``sites``: Sums of several sites for one comparison of protocols: ``sites plan``, ``summarise``, ``combine``, ``seed``.
- ``lessons``: The lessons, their capstones, and the marks of a capstone: ``lessons``, ``mark``.
- ``reports``: Comparisons are planned, reports made, made again and exported: ``plan-analysis``, ``report``, ``repeat``, ``export``.
"""
