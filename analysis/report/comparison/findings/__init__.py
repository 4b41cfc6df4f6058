"""What a protocol comparison found, in the order of the work.

- ``finding``: What a protocol comparison found: records, each with what was looked at; every claim of the report speaks
  from them.
- ``rules``: The rules by which the results of a comparison become findings; nothing is rounded here.
- ``words``: The findings of a protocol comparison in words: no more than was looked at, and first what a reader must
  know.
- ``responder_words``: Who improved, in words: shares with their denominators, what the differences support, and when they
  tell little.
- ``table``: The findings of a comparison as a table, a row each: what In short, captions and titles speak from, for other
  programs.
- ``doubts``: What speaks against the findings of a comparison, in words; where nothing does, what was looked for.
"""
