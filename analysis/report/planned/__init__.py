"""The analysis plan of a protocol comparison: what it says, its file with a hash, and the document that is signed.

- ``parts``: What a plan says, part by part; every key declared once, with its type and meaning.
- ``plan``: A plan with its hash, version and date; written and read strictly as TOML.
- ``design``: What a plan is made for: a cohort without its values, or a design file.
- ``cohort_of_plan``: A plan is refused where the cohort lacks what it is about.
- ``model_sentences``: The model in sentences.
- ``document``: The plan in plain sentences, as Markdown or Word.
- ``write``: Plan and document are written together.

Nothing here knows of a report. How a plan is made and followed: :mod:`analysis.report.comparison.by_plan`.
"""
