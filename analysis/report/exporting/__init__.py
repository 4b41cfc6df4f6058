"""A report as files for a journal: each figure and table by itself, at the width and in the forms that it asks for.

- ``asked``: what is asked for, checked before anything runs.
- ``files``: their names, the texts that go with them, and the tables as one Word file.
- ``paper``: a draft of a paper: sentences of the report with the figures and tables that were chosen.
- ``printed_page``: the page of a paper: what stands in one of its two columns, and how small its print is.
- ``export``: a report is made again from its record, compared, and its files are written, or none are.
"""
