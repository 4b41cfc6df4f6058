"""One document, and the forms it is written in.

- ``document``: read from an executed notebook: every form is rendered from it, the record too.
- ``said_once``: a note stands once in a report.
- ``markdown``: the text cells of a notebook: headings, and words as their author set them.
- ``html``: one HTML file that stands alone: no script, nothing loaded, readable at every width.
- ``paper``: widths of columns, tables too wide for paper, pictures too tall.
- ``pdf``: set by Typst: tagged, with alternative texts, checked against PDF/UA-1 while it is written.
- ``word``: real headings, real tables, pictures with alternative text, styles of our own.
- ``slides``: eleven or fewer, one message each as its title, the numbers in the notes.
- ``blocks``: blocks of pandoc's own document format, from which it writes Word files and slides.
- ``pandoc``: run on a document that names no file but its own pictures.
- ``reference_styles``: pandoc's own reference file, as it gives it, with our styles in their place.
- ``own_templates``: a user's own Word or PowerPoint file in its place, looked through before anything is written.
- ``numbering``: the numbers of figures and tables.
- ``csv_tables``: the numbers, one file a table or figure, not rounded: for reviewers and other programs.
- ``digest``: what the record keeps of each item, so that two runs can be told apart and the difference named.
"""
