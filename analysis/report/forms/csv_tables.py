"""The numbers of a report as CSV files, one a table or figure, not rounded: for reviewers and other programs."""

import re
from collections import Counter

import pandas as pd

from analysis.cohort.findings import not_run
from analysis.report.forms.document import Document
from analysis.report.forms.markdown import Heading
from analysis.report.parts.figures import Figure
from analysis.report.parts.tables import Table

#: Which file holds what, beside the tables.
CONTENTS = "contents.csv"


def document_to_csv(document: Document) -> dict[str, str]:
    r"""Write each table of a report, and the numbers of each figure, as CSV.

    Parameters
    ----------
    document : Document
        The report.

    Returns
    -------
    dict of str to str
        Text by the name of its file: :data:`CONTENTS` (file, section, shown as, caption, notes), then the tables in the
        order of the report, named as they are in it. Values as computed, shares from 0 to 1; a missing value is empty.

    Examples
    --------
    >>> from analysis.report.forms.document import Shown, Document
    >>> table = Table(pd.DataFrame({"protocol": ["usual"], "share": [1 / 3]}), "Responders.", name="responders")
    >>> files = document_to_csv(Document((Shown("first", (Heading(1, "A report"), table)),)))
    >>> list(files), files["responders.csv"]
    (['contents.csv', 'responders.csv'], 'protocol,share\nusual,0.3333333333333333\n')
    """
    files: dict[str, str] = {}
    rows = []
    section, names = "", iter(csv_names(document))
    for block in document.blocks:
        if isinstance(block, Heading):
            section = block.text
        if not isinstance(block, Table | Figure):
            continue
        table, name = block.table if isinstance(block, Figure) else block, next(names)
        files[name] = table.to_csv()
        caption = f"{block.title}. {block.caption}" if isinstance(block, Figure) else block.caption
        rows.append((name, section, block.part, caption, " ".join(table.notes)))
    contents = pd.DataFrame(rows, columns=["file", "section", "shown as", "caption", "notes"], dtype="str")
    contents = contents.apply(not_run)
    return {CONTENTS: contents.to_csv(index=False, lineterminator="\n"), **files}


def file_stem(name: str) -> str:
    """Give a name without what a name of a file may not have; may be empty.

    Examples
    --------
    >>> file_stem("week 26: all/some")
    'week-26-all-some'
    """
    return re.sub(r"[^\w.-]+", "-", name).strip("-.")


def csv_names(document: Document) -> list[str]:
    """Name the files of the tables and figures of a report, in their order."""
    found: list[str] = []
    named = Counter[str]()
    for block in document.blocks:
        if isinstance(block, Table | Figure):
            stem = file_stem(block.name) or "table"
            named[stem] += 1
            found.append(f"{stem}.csv" if named[stem] == 1 else f"{stem}-{named[stem]}.csv")
    return found
