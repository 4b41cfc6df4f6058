"""A report as PDF, set by Typst: tagged, with alternative texts, checked against PDF/UA-1 while it is written."""

import importlib
from pathlib import Path
from typing import Any

from analysis.errors import ReportError
from analysis.report.forms.csv_tables import CONTENTS, csv_names, document_to_csv
from analysis.report.forms.document import Block, Document
from analysis.report.forms.html import FOLDED
from analysis.report.forms.markdown import Heading, OwnWords
from analysis.report.forms.numbering import numbered
from analysis.report.forms.paper import PNG, column_widths, in_parts, width_on_paper
from analysis.report.parts.figures import Figure
from analysis.report.parts.passages import Passage
from analysis.report.parts.table_page import Cell
from analysis.report.parts.tables import Table
from analysis.report.parts.typesetting import MARK, hold_together
from analysis.report.parts.wording import made_in_words
from analysis.writing.owners import temporary_folder

ATTACHED = (
    "The numbers of every table and figure are attached to this file as CSV, and lie beside it in the folder of tables."
)
TEMPLATE = Path(__file__).resolve().parent / "templates" / "report.typ"
#: Tables with more columns than this are set smaller.
_MANY_COLUMNS = 6
#: Level of the headings of sections. In the appendix figures are so much narrower, and tables with more rows are attached only.
_SECTION, _IN_APPENDIX, _MOST_ROWS_IN_APPENDIX = 2, 0.55, 9
#: Width of figures before it, as a part of what they can have.
_BEFORE = 0.86
#: Tables with at most this many rows are not parted between pages.
_ROWS_KEPT_TOGETHER = 12
#: Kept although they are not printable: spaces, and the mark after words written from right to left.
_KEPT = f"\u00a0\u2003{MARK}"
#: How characters are written in a string literal of Typst.
_ESCAPED = str.maketrans({"\\": "\\\\", '"': '\\"', "\n": "\\n", "\r": "", "\t": " "})


def document_to_pdf(document: Document, *, stamp: str) -> bytes:
    """Set a document as PDF; ``stamp``, when it was made, is shown at the end.

    Figures come with their alternative text; the numbers of figures and tables are attached as CSV files.

    Raises
    ------
    ReportError
        Typst is not installed, or refuses the document.
    """
    with temporary_folder() as folder:
        return set_source(_source(document, folder, stamp=stamp), folder, one_page=document.one_page)


def set_source(source: str, folder: Path, *, one_page: bool = False) -> bytes:
    """Set a source of Typst whose pictures lie in a folder; one page is set smaller and closer.

    Raises
    ------
    ReportError
        Typst is not installed, or refuses the source.
    """
    typst = typst_package()
    (folder / "report.typ").write_text(source, encoding="utf-8")
    try:
        options = {"pdf_standards": ["ua-1"], "sys_inputs": {"one-page": "yes" if one_page else "no"}}
        return bytes(typst.compile(str(folder / "report.typ"), **options, **where_typst_looks(folder)))
    except (RuntimeError, ValueError) as error:
        raise ReportError(
            "The PDF could not be set.",
            where=str(error).strip().splitlines()[0] if str(error).strip() else "typst",
            what_to_do="Make the report as html, and tell the maintainers.",
        ) from error


def where_typst_looks(folder: Path) -> dict[str, Any]:
    """Give the options by which Typst finds pictures and fonts, and no others."""
    return {"root": str(folder), "font_paths": [_fonts()], "ignore_system_fonts": True}


def typst_package() -> Any:
    """Give the package typst.

    Raises
    ------
    ReportError
        It is not installed.
    """
    try:
        return importlib.import_module("typst")
    except ImportError as error:
        raise ReportError(
            "A PDF needs the package typst.", what_to_do="Install it: pip install typst, or choose another format."
        ) from error


def _fonts() -> str:
    import matplotlib as mpl

    return str(Path(mpl.get_data_path()) / "fonts" / "ttf")


def _source(document: Document, folder: Path, *, stamp: str) -> str:
    parts = opening_of(document)
    names, numbers = iter(csv_names(document)), iter(numbered(document))
    appendix = False
    for place, block in enumerate(document.blocks, start=1):
        counted = isinstance(block, Table | Figure)
        name, called = (next(names), next(numbers)) if counted else ("", None)
        if isinstance(block, Heading) and block.level == _SECTION:
            appendix = block.text == FOLDED
            parts += ["#show: appendix"] if appendix else []
        if appendix and isinstance(block, Table) and len(block.data) > _MOST_ROWS_IN_APPENDIX:
            parts.append(
                f"#left-to-file({_text(called.caption if called else '')}, "
                f"{_text(f'{len(block.data)} rows: attached as {name}.')})"
            )
        else:
            number = called.number if called else 0
            parts.append(block_source(block, folder, place, number, scale=_IN_APPENDIX if appendix else _BEFORE))
    files = document_to_csv(document)
    parts += [_attached(name, text, folder) for name, text in files.items()]
    said = [made_in_words(stamp)] + ([ATTACHED] if len(files) > 1 else [])
    parts.append(colophon(*said))
    return "\n".join(parts) + "\n"


def opening_of(document: Document) -> list[str]:
    """Write what stands before the blocks of a document."""
    opening = f"title: {_text(document.title.text)}, subtitle: {_texts(document.subtitle)}, watermark: {_text(document.watermark)}"
    return [TEMPLATE.read_text(encoding="utf-8"), f"#show: report.with({opening})"]


def colophon(*said: str) -> str:
    """Write what stands at the end."""
    return f"#colophon({_text(' '.join(said))})"


def block_source(block: Block, folder: Path, place: int, number: int, *, scale: float) -> str:
    """Write a block as Typst, its picture beside the source; figures take so much of the width."""
    match block:
        case Heading(level, text):
            return f"#heading(level: {max(level - 1, 1)}, {_text(text)})"
        case OwnWords(picture=picture, alt=alt) if picture:
            path, width = _picture(picture, folder, place, scale)
            return f"#image({_text(path)}, alt: {_text(alt)}, width: {width})"
        case Passage(paragraphs, kind):
            return f"#words({_text(kind)}, {_texts(paragraphs)})" if paragraphs else ""
        case Table():
            parts = enumerate(in_parts(block))
            return "\n".join(_table(part, number, folder, f"{place}-{of}") for of, part in parts)
        case Figure():
            path, width = _picture(block.png(), folder, place, scale)
            words = ", ".join(_text(one) for one in (path, block.alt, block.title, block.caption))
            return f"#picture({words}, number: {number}, width: {width})"


def _attached(name: str, text: str, folder: Path) -> str:
    """Write a file of numbers beside the source, and attach it."""
    (folder / name).write_text(text, encoding="utf-8", newline="\n")
    what = "Which file holds what." if name == CONTENTS else "Numbers of this report, not rounded."
    return f'#pdf.attach({_text(name)}, relationship: "data", mime-type: "text/csv", description: {_text(what)})'


def _picture(picture: bytes, folder: Path, place: int | str, scale: float) -> tuple[str, str]:
    """Write a picture beside the source; give its name and its width."""
    path = f"picture-{place}.{'png' if picture[:4] == PNG else 'jpg'}"
    (folder / path).write_bytes(picture)
    return path, f"{100 * scale * width_on_paper(picture):.1f}%"


def _table(table: Table, number: int, folder: Path, place: str) -> str:
    count, rows = len(table.columns), list(table.grouped_rows())
    spans = table.spans()
    head = []
    if any(over for over, _ in spans):
        head += [f"table.cell(colspan: {len(under)}, align: center, [#{_text(over)}])" for over, under in spans]
    head += [f"[#{_text(column.label)}]" for column in table.columns]
    cells = []
    for group, row in rows:
        if group is not None:
            # A header of the second level is never the last line of a page.
            cells.append(
                f"table.header(level: 2, repeat: false, table.cell(colspan: {count}, align: left, "
                f"inset: (top: 7pt, bottom: 3pt), group[#{_text(group)}]))"
            )
        cells += [_cell(cell, folder, f"{place}-{len(cells) + of}") for of, cell in enumerate(row)]
    aligned = ", ".join(table.sides())
    widths = ", ".join(f"{weight:g}fr" for weight in column_widths(table))
    return (
        f"#grid-of(number: {number}, caption: {_text(table.caption)}, notes: {_texts(table.notes)}, "
        f"small: {str(count > _MANY_COLUMNS).lower()}, whole: {str(len(rows) <= _ROWS_KEPT_TOGETHER).lower()}, "
        f"columns: ({widths},), align: ({aligned},), "
        f"head: ({', '.join(head)},), cells: ({', '.join(cells)}{',' if cells else ''}))"
    )


def _cell(cell: Cell, folder: Path, place: str) -> str:
    if isinstance(cell, str):
        return _text(cell)
    path, _ = _picture(cell.picture, folder, place, 1.0)
    return f"[#image({_text(path)}, alt: {_text(cell.alt)}, width: 100%)]"


def _texts(texts: tuple[str, ...]) -> str:
    return f"({', '.join(_text(text) for text in texts)}{',' if texts else ''})"


def _text(text: str) -> str:
    """Write a string literal of Typst; nothing in it is markup."""
    escaped = hold_together(text).translate(_ESCAPED)
    kept = "".join(character for character in escaped if character.isprintable() or character in _KEPT)
    return f'"{kept}"'
