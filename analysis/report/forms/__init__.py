"""One document, and the forms it is written in; Word files and slides have a room of their own (``office``).

- ``document``: read from an executed notebook: every form is rendered from it, the record too.
- ``said_once``: a note stands once in a report.
- ``markdown``: the text cells of a notebook: headings, and words as their author set them.
- ``html``: one HTML file that stands alone: no script, nothing loaded, readable at every width.
- ``paper``: widths of columns, tables too wide for paper, pictures too tall.
- ``pdf``: set by Typst: tagged, with alternative texts, checked against PDF/UA-1 while it is written.
- ``handout``: of a report what its notebook names, on four pages or fewer, as PDF.
- ``numbering``: the numbers of figures and tables.
- ``csv_tables``: the numbers, one file a table or figure, not rounded: for reviewers and other programs.
- ``digest``: what the record keeps of each item, so that two runs can be told apart and the difference named.
"""
