"""Word files and slides, written by pandoc from blocks of its own format.

- ``word``: real headings, real tables, pictures with alternative text, styles of our own.
- ``slides``: twelve or so, one message each as its title, the numbers in the notes.
- ``blocks``: blocks of pandoc's own document format, from which it writes Word files and slides.
- ``pandoc``: run on a document that names no file but its own pictures.
- ``reference_styles``: pandoc's own reference file, as it gives it, with our styles in their place.
- ``own_templates``: a user's own Word or PowerPoint file in its place, looked through before anything is written.
- ``watermarks``: what stands on every page of a Word file and on every slide.
"""
