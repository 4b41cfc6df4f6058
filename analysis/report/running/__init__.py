"""A report notebook is found, run, recorded and repeated.

- ``make``: The one call that makes a report: check the parameters, run the notebook, write the page, or leave all as
  it was.
- ``notebooks``: Report notebooks: where they are, what parameters they take, and how one is run.
- ``kernel``: A kernel that runs notebooks with the interpreter in use, whatever kernels are installed and wherever
  HOME is.
- ``parameters``: The parameters of a report notebook: read from its tagged cell, and checked strictly before anything
  runs.
- ``declared``: The parameters of a report of the kit, each declared once: its notebook, its call and its documentation
  follow.
- ``record``: The record beside a report: input hashes, versions, parameters, seed, command, and a digest of all that
  is shown.
- ``repeat``: A report made again from its record, and compared with what it showed then.
- ``provenance``: What a report was made from, as the report shows it: enough to make it again and to see that it is
  the same.
- ``working_copy``: A working folder: the notebooks, with invented cohorts beside them: a small one, and one by
  quarter.
"""
