"""The encoding of a text file, checked over the whole file before it is read."""

from __future__ import annotations

import codecs
import re
from pathlib import Path

from analysis.errors import CohortError

_BLOCK = 16 << 20
_BYTE_ORDER_MARKS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
#: Encodings of one byte a letter, in which any bytes are text, UTF-8 too.
_SINGLE_BYTES = ("cp1252", "iso8859-1", "iso8859-15", "latin-1")
#: A letter of Latin script with an accent in UTF-8; as two letters of an encoding of single bytes it makes no sense.
_UTF8_LETTER = re.compile(rb"[\xc3-\xc5][\x80-\xbf]")
_ONE_ENCODING = "Write the whole file in UTF-8: parts of it come from different programs."
_SIGNATURES = (
    (b"PK\x03\x04", "a workbook or a zip archive", "Save the sheet as CSV, or give the workbook its ending .xlsx."),
    (b"\xd0\xcf\x11\xe0", "an old or a password-protected workbook", "Save the sheet as CSV."),
    (b"PAR1", "a Parquet file", "Give it the ending .parquet."),
    (b"%PDF", "a PDF document", "Export the table as CSV."),
    (b"\x89PNG", "a picture", "Export the table as CSV."),
    (b"\x1f\x8b", "a compressed file", "Unpack it first."),
    (b"$FL", "an SPSS file", "Give it the ending .sav."),
    (b"<stata_dta>", "a Stata file", "Give it the ending .dta."),
    (b"HEADER RECORD", "a SAS transport file", "Give it the ending .xpt."),
)


def encoding_of(path: Path, head: bytes, declared: str | None) -> str:
    """Find the encoding, as a decoder names it, and check that the whole file can be read in it.

    ``head`` is the beginning of the file. Where nobody declared an encoding a byte-order mark counts, and without that UTF-8.

    Raises
    ------
    CohortError
        The file is no text, not of the encoding, or mixes two; the message names the line.
    """
    for signature, what, advice in _SIGNATURES:
        if head.startswith(signature):
            raise CohortError(f"The file is {what}, not a CSV file.", where=path.name, what_to_do=advice)
    marked = next((name for mark, name in _BYTE_ORDER_MARKS if head.startswith(mark)), None)
    encoding = declared or marked or "utf-8"
    try:
        name = codecs.lookup(encoding).name
        codecs.getincrementaldecoder(name)
        "".encode(name)  # zlib and its like turn bytes into bytes
    except (LookupError, ValueError):  # ValueError: a zero character in the name, or an encoding that has no text
        raise CohortError(
            f"There is no encoding {encoding!r}.",
            where="the key encoding of the map file",
            what_to_do="Use utf-8, utf-16, latin-1 or cp1252.",
        ) from None
    if b"\x00" in head and "16" not in name and "32" not in name:
        wide = any(head[start::2].count(0) > len(head) // 4 for start in (0, 1))
        raise CohortError(
            "The file looks like UTF-16 without a byte-order mark." if wide else "The file is not text.",
            where=path.name,
            what_to_do='Set encoding = "utf-16-le" or "utf-16-be" in the map file.' if wide else "Export it as CSV.",
        )
    broken = _first_undecodable_line(path, name)
    if broken is not None:
        wide = "16" in name or "32" in name
        mixed = name in ("utf-8", "utf-8-sig") and _first_line_with(path, _UTF8_LETTER) is not None
        raise CohortError(
            f"The file mixes UTF-8 and another encoding: line {broken} holds bytes that are no text in UTF-8."
            if mixed
            else f"The file is not {encoding}: line {broken} holds bytes that are no text in it.",
            where=f"{path.name}, line {broken}",
            what_to_do=_ONE_ENCODING
            if mixed
            else "Name the right one in the map file, for example "
            + ('encoding = "utf-8".' if wide else 'encoding = "cp1252" (Windows) or encoding = "latin-1".'),
        )
    if name in _SINGLE_BYTES and (line := _first_line_with(path, _UTF8_LETTER)) is not None:
        whole = _first_undecodable_line(path, "utf-8") is None
        raise CohortError(
            f"The file is UTF-8, not {encoding}." if whole else f"The file mixes UTF-8 and {encoding}.",
            where=f"{path.name}, line {line}",
            what_to_do='Set encoding = "utf-8" in the map file.' if whole else _ONE_ENCODING,
        )
    return "utf-8" if name == "utf-8-sig" else name


def _first_line_with(path: Path, pattern: re.Pattern[bytes]) -> int | None:
    """Return the number of the first line that holds a pattern of bytes."""
    lines = 1
    with path.open("rb") as stream:
        while block := stream.read(_BLOCK):
            if found := pattern.search(block):
                return lines + block[: found.start()].count(b"\n")
            lines += block.count(b"\n")
    return None


def _first_undecodable_line(path: Path, encoding: str) -> int | None:
    decoder = codecs.getincrementaldecoder(encoding)()
    lines = 1
    with path.open("rb") as stream:
        while block := stream.read(_BLOCK):
            try:
                lines += decoder.decode(block).count("\n")
            except UnicodeError as error:
                start = error.start if isinstance(error, UnicodeDecodeError) else 0
                return lines + block[:start].count(b"\n")
        try:
            decoder.decode(b"", final=True)
        except UnicodeError:
            return lines
    return None
