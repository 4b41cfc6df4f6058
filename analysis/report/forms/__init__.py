"""One document, and the forms it is written in.

- ``document``: An executed notebook as a plain document: headings, passages, tables and figures, which every form is
  made from.
- ``html``: An executed notebook as one HTML file that stands alone: no script, nothing loaded, readable at every
  width.
- ``pdf``: A report as PDF, set by Typst: tagged, with alternative texts, checked against PDF/UA-1 while it is
  written.
- ``word``: A report as a Word file: real headings, real tables, pictures with alternative text, styles of our own.
- ``slides``: A report as slides: eight or fewer, one message each as its title, the numbers in the notes.
- ``pandoc``: Pandoc, run without network or files of its own choosing, with our own reference documents for its
  styles.
"""
