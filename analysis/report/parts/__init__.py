"""What a section is made of: passages, tables, figures, and how numbers and words look.

- ``numbers``: Numbers as readers see them: the only place where they are rounded.
- ``typesetting``: Plain text as HTML: escaped, numbers on one line with their units, names in any script.
- ``wording``: Sentences that every report says alike: for whom it is, who decides, what is invented.
- ``model_words``: The fitted model in words, from its own record.
- ``losses``: From which losses on nothing is concluded about protocols: one rule for all reports.
- ``part``: What passages, tables and figures have in common: how they show themselves and are read back.
- ``passages``: Sentences of a report, and sections made of sentences, figures and tables.
- ``tables``: A table of a report: numbers kept as they are, shown as text by column formats, the same in every form.
- ``table_page``: A table as HTML: headings over several columns, groups of rows, small pictures in cells; all text escaped.
- ``outcome_tables``: Tables of counts with their shares, of the home programme and of change: one call a table.
- ``indicator_numbers``: Values of a quarter's indicators as readers see them; what is hidden is said to be hidden.
- ``figures``: A figure of a report: drawn when it is shown, never without a sentence and a table that say the same.
- ``look``: The look of figures: colours, markers and dashes that all readers tell apart.
- ``drawing_files``: Files of a drawing for a journal, at the width of its column.
- ``axes``: Parts that several figures share: panels, the week axis, numbers seen under it, direct labels, wrapped names.
"""
