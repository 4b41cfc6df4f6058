"""One document, and the forms it is written in.

- ``document``: The one document of a report, read from an executed notebook: every form is rendered from it, the record
  too.
- ``markdown``: The text cells of a notebook: headings, and words as their author set them.
- ``html``: A report as one HTML file that stands alone: no script, nothing loaded, readable at every width.
- ``paper``: How tables and pictures stand on paper: widths of columns, tables too wide for it, pictures too tall.
- ``pdf``: A report as PDF, set by Typst: tagged, with alternative texts, checked against PDF/UA-1 while it is
  written.
- ``word``: A report as a Word file: real headings, real tables, pictures with alternative text, styles of our own.
- ``slides``: A report as slides: eight or fewer, one message each as its title, the numbers in the notes.
- ``blocks``: Blocks of pandoc's own document format, from which it writes Word files and slides.
- ``pandoc``: Pandoc, run on a document that names no file but its own pictures, with our own reference documents for
  styles.
- ``reference_styles``: Styles of Word files and slides: pandoc's own reference file, as it gives it, with our styles in
  their place.
- ``csv_tables``: The numbers of a report as CSV files, one a table or figure, not rounded: for reviewers and other
  programs.
- ``digest``: What the record keeps of a report, item by item, so that two runs can be told apart and the difference
  named.
"""
