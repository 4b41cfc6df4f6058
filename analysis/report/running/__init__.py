"""A report notebook is found, run, recorded and repeated.

- ``make``: the one call: check the parameters, run the notebook, write the page, or leave all as it was.
- ``report_files``: the names of its files, and what must not be replaced.
- ``placing``: the folder that is written: one process at a time, all files or none, only what a report made is replaced.
- ``notebooks``: where they are, what parameters they take, and how one is run.
- ``several``: one notebook run for several sets of parameters in one process.
- ``kernel``: the interpreter in use, whatever kernels are installed and wherever HOME is.
- ``parameters``: read from the tagged cell, and checked strictly before anything runs.
- ``declared``: parameters of a report of the kit, declared once: notebook, call and documentation follow.
- ``record``: input hashes, versions, parameters, seed, command, and a digest of all that is shown.
- ``told_paths``: paths as a report tells them: nothing of the folders of the person who made it.
- ``repeat``: a report made again from its record, and compared with what it showed then.
- ``trust``: which notebook a repetition may run.
- ``asked``: What a record may ask of a report of the kit.
- ``provenance``: what a report was made from, as it shows it: enough to make it again.
- ``working_copy``: the notebooks, with invented cohorts beside them: a small one, and one by quarter.
"""
