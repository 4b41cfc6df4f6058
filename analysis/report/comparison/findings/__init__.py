"""What a protocol comparison found, in the order of the work.

- ``finding``: Records of what was found, each with what was looked at; every claim of the report speaks from them.
- ``patient_rules``: The rules by which the patients become findings: who was seen and stayed, how they began, harms, values.
- ``rules``: The rules by which the results of a comparison become findings; nothing is rounded here.
- ``words``: Who was seen and the differences, in words; the title of their slide.
- ``flow_words``: Who stayed, in words: allocated, started, seen at the primary week, lost and why; the title of their slide.
- ``responder_words``: Who improved, in words: shares with their denominators, and when they tell little.
- ``figure_words``: What the figures show, in words: their alternative texts, and titles of slides.
- ``outcome_rules``: When outcomes in order and groups of patients say something.
- ``outcome_words``: What is said of them.
- ``table``: The findings as a table, a row each, for other programs.
- ``balanced_rules``: What a comparison among patients made alike found, judged by the same rules.
- ``balanced_words``: What is said of it, and where patients could not be made alike.
- ``doubts``: What speaks against the findings, and harms, in words; where nothing does, what was looked for.
"""
