"""The corpus holds what it says: every class, language, script and trick, numbers that nobody has, and no clean cell that is planted."""

import ipaddress
import re
import unicodedata
from collections import Counter
from datetime import date
from functools import cache

import pandas as pd
import pytest

from . import corpus
from .corpus import clean_columns, clean_table, named_things, planted_columns, planted_tables

#: At least so many columns of each kind of trick.
TRICKS = {
    "plain": 50, "language": 150, "odd-header": 60, "note": 30, "number": 25, "date": 50, "age": 25, "place": 55,
    "mixed": 25, "one-cell": 25,
}  # fmt: skip
LANGUAGES = {
    "English", "German", "French", "Spanish", "Italian", "Dutch", "Polish", "Turkish", "Russian", "Greek", "Japanese",
    "Arabic", "Chinese", "Hindi",
}  # fmt: skip


def entries():
    """Give the columns as they are written, with the table of each."""
    tables = dict.fromkeys(one.table for one in planted_columns())
    return [(table, entry) for table in tables for entry in corpus.read(table)["columns"]]


@cache
def texts(without=""):
    """Give every planted cell as text, classes left out that are named by their letters."""
    return [str(cell) for one in planted_columns() if one.letter not in without for cell in one.cells]


def column(table, header):
    return next(one for one in planted_columns() if (one.table, one.header) == (f"identifiers_{table}", header))


def compared(cell):
    """Bring a cell to the form in which two are compared: a number is a number whether whole or not."""
    if isinstance(cell, int | float):
        return float(cell)
    return re.sub(r"\s+", " ", unicodedata.normalize("NFKC", str(cell))).strip().casefold()


def test_there_are_as_many_columns_and_cells_as_are_needed():
    assert len(planted_columns()) >= 550
    assert sum(one.forms for one in planted_columns()) >= 1450
    assert len(set(texts())) >= 11000
    assert len(clean_columns()) >= 230
    assert len(named_things()) >= 50


def test_every_class_has_columns_and_each_class_is_a_letter_of_the_rule():
    counts = Counter(one.letter for one in planted_columns())
    assert sorted(counts) == list("ABCDEFGHIJKLMNOPQR")
    assert min(counts.values()) >= 8
    assert {one.letter for one in named_things()} >= set("ABCDFGHMNOR")


def test_languages_have_ten_columns_each():
    counts = Counter(one.language for one in planted_columns())
    assert {language for language, count in counts.items() if count >= 14} >= LANGUAGES
    assert set(counts) == set(corpus.read("pools"))
    assert counts["English"] < len(planted_columns()) / 2


def test_scripts_and_digits_are_there():
    signs = set("".join(texts()))
    letters = {unicodedata.name(one).split()[0] for one in signs if one.isalpha()}
    assert {"LATIN", "CYRILLIC", "GREEK", "CJK", "HIRAGANA", "KATAKANA", "HALFWIDTH", "FULLWIDTH", "ARABIC",
            "DEVANAGARI", "HANGUL", "HEBREW"} <= letters  # fmt: skip
    digits = {unicodedata.name(one).split()[0] for one in signs if one.isdecimal()}
    assert {"DIGIT", "ARABIC-INDIC", "DEVANAGARI", "FULLWIDTH"} <= digits


def test_tricks_are_there():
    counts = Counter(one.trick for one in planted_columns())
    assert set(counts) == set(TRICKS)
    assert {trick: counts[trick] for trick, least in TRICKS.items() if counts[trick] < least} == {}


def test_headers_are_distinct_in_their_table_and_no_column_is_lost():
    for table, frame in planted_tables().items():
        headers = [compared(header) for header in frame.columns]
        assert len(set(headers)) == len(headers), table
        beside = sum(len(entry.get("beside", {})) for at, entry in entries() if at == table)
        assert frame.shape == (corpus.PATIENTS, len(corpus.read(table)["columns"]) + beside)
    headers = [compared(header) for header in clean_table().columns]
    assert len(set(headers)) == len(headers) == len(corpus.read("clean_columns")["columns"])


def test_entries_have_known_keys_and_every_form_stands_in_a_row():
    known = {
        "header",
        "letter",
        "language",
        "trick",
        "cells",
        "type",
        "digits",
        "sequence",
        "labels",
        "range",
        "beside",
    }
    assert {key for _, entry in entries() for key in entry} == known
    for one in planted_columns():
        assert one.forms <= len(one.rows) == len(one.parts) <= corpus.PATIENTS
    assert re.findall(r"[{}§#]|<(?:given|family|town|street|G|F)>", "".join(texts())) == []


def test_parts_are_in_the_cells_and_few_rows_of_mixed_columns_are_planted():
    for one in planted_columns():
        for cell, parts in zip(one.cells, one.parts, strict=True):
            assert all(part and part in str(cell) for part in parts), (one.header, cell)
        if one.trick == "one-cell":
            assert len(one.rows) == 1
            assert sum(isinstance(cell, str) for cell in one.values) == 1
        if one.trick == "mixed":
            assert 2 <= len(one.rows) <= 3
    whole = {one.where for one in named_things() if one.parts == (one.text,)}
    assert whole == {"sheet name", "header"}
    assert all(part in one.text for one in named_things() for part in one.parts)


def test_columns_have_the_types_of_their_files():
    assert column("numbers", "hosp_no").values.dtype == float
    assert column("numbers", "case no").values.tolist() == list(range(2400117, 2400157))
    assert column("dates", "visit_date").values.dtype.kind == "M"
    names = planted_tables()["identifiers_names"]
    assert names[["First name", "SURNAME"]].drop_duplicates().shape[0] == corpus.PATIENTS
    beside = planted_tables()["identifiers_ages"][["age_value", "age_unit"]]
    years = beside["age_value"] / beside["age_unit"].map({"years": 1, "months": 12, "weeks": 52.18})
    assert years.between(90, 100).all()


def test_planted_ages_are_over_89_and_the_others_are_not():
    for header, a_year in {"age": 1, "age_dec": 1, "age_last_bday": 1, "age_months": 12, "age_days": 365.25}.items():
        one = column("ages", header)
        years = one.values / a_year
        assert years.index[years >= 90].tolist() == list(one.rows), header
    born = column("ages", "yob")
    assert max(born.cells) <= 2023 - 91 < born.values.drop(list(born.rows)).min()
    assert all(one.values.max() < 90 for one in clean_columns() if one.kind == "age" and one.values.dtype != "str")


def test_serial_numbers_are_days_of_the_years_seen():
    # Days since 30 December 1899 (spreadsheets) and since 1 January 1960 (SAS); seconds since 1970.
    for header, first in {"adm_date": date(1899, 12, 30), "sas_date": date(1960, 1, 1)}.items():
        days = column("dates", header).cells
        assert {date.fromordinal(first.toordinal() + day).year for day in days} <= {2023, 2024}
    assert {pd.Timestamp(one, unit="s").year for one in column("dates", "created_at").cells} == {2023, 2024}
    assert {pd.Timestamp(one, unit="ms").year for one in column("dates", "ts_ms").cells} == {2024}


@pytest.mark.parametrize(("pattern", "kept"), [
    (r"\b555[-. ](\d{4})\b", r"01\d\d"),  # North America keeps 555-0100 to 555-0199
    (r"\b07700 900(\d+)\b", r"\d{3}"),  # the United Kingdom keeps 07700 900000 to 900999
    (r"[\w.]@([\w.]+)", r"(?:[\w-]+\.)*example(?:\.(?:com|net|org))?"),  # RFC 2606
    (r"https?://([\w.]+)", r"(?:[\w-]+\.)*example(?:\.(?:com|net|org))?"),
    (r"\b987-65-(\d{4})\b", r"432\d"),  # kept for advertisements
])  # fmt: skip
def test_numbers_and_domains_are_those_kept_for_fiction(pattern, kept):
    found = re.findall(
        pattern, unicodedata.normalize("NFKC", "\n".join([*texts(), *(one.text for one in named_things())]))
    )
    assert len(found) >= 20
    assert [one for one in found if not re.fullmatch(kept, one)] == []


def test_addresses_of_computers_are_those_of_documents():
    kept = [ipaddress.ip_network(one) for one in ("192.0.2.0/24", "198.51.100.0/24", "203.0.113.0/24")]  # RFC 5737
    # Telephone numbers left out: those of France may have the same form.
    found = re.findall(r"\b(?:\d{1,3}\.){3}\d{1,3}\b", "\n".join(texts(without="DE")))
    found = [re.sub(r"\b0+(?=\d)", "", one) for one in found] + column("contacts", "ip_num").cells
    assert len(found) >= 200
    assert [one for one in found if not any(ipaddress.ip_address(one) in net for net in kept)] == []


def digit_sum(number, weights):
    return sum(int(digit) * weight for digit, weight in zip(number, weights, strict=True))


def luhn(number):
    """Tell whether the digit of ISO/IEC 7812-1 is right."""
    doubled = "".join(str(int(digit) * (1 + at % 2)) for at, digit in enumerate(reversed(number)))
    return sum(map(int, doubled)) % 10 == 0


@pytest.mark.parametrize(("header", "right"), [
    ("BSN", lambda one: digit_sum(one, (9, 8, 7, 6, 5, 4, 3, 2, -1)) % 11 == 0),
    ("PESEL", lambda one: digit_sum(one, (1, 3, 7, 9, 1, 3, 7, 9, 1, 3, 1)) % 10 == 0),
    ("NHS number", lambda one: digit_sum(one, (10, 9, 8, 7, 6, 5, 4, 3, 2, 1)) % 11 == 0),
    ("NPI", lambda one: luhn("80840" + one)),
    ("ΑΜΚΑ", luhn),
    ("Personnummer", lambda one: luhn(one[-10:])),
    ("身份证号", lambda one: digit_sum(one[:17], [2 ** (17 - at) % 11 for at in range(17)]) % 11 == (12 - int(one[17])) % 11),
    ("Rekeningnr", lambda one: int("".join(str(int(sign, 36)) for sign in one[4:] + one[:4])) % 97 == 1),
])  # fmt: skip
def test_check_digits_are_right(header, right):
    cells = {
        re.sub(r"[\s+-]", "", str(cell)) for one in planted_columns() if one.header == header for cell in one.cells
    }
    assert len(cells) >= 2
    assert [one for one in cells if not right(one)] == []


def test_clean_columns_are_of_many_kinds_and_hold_what_they_declare():
    assert len({one.kind for one in clean_columns()}) >= 20
    for one, entry in zip(clean_columns(), corpus.read("clean_columns")["columns"], strict=True):
        assert set(entry) <= {"header", "kind", "labels", "range", "missing"}
        there = one.values.dropna()
        assert len(one.values) == corpus.CLEAN_PATIENTS
        assert (len(there) < len(one.values)) == ("missing" in entry), one.header
        assert set(there) <= set(entry["labels"]) if "labels" in entry else there.between(*entry["range"][:2]).all()


def test_no_clean_cell_is_a_planted_one():
    """An age is told from another number by its header alone, so columns of ages are left out."""
    planted = [one for one in planted_columns() if one.trick != "age"]
    held = {cell for one in planted for cell in [*one.cells, *(part for row in one.parts for part in row)]}
    held = {compared(cell) for cell in held}
    clean = {one.header: {compared(cell) for cell in {one.header, *one.values.dropna()}} for one in clean_columns()}
    assert sum(map(len, clean.values())) > 5000
    assert {header: cells & held for header, cells in clean.items() if cells & held} == {}


def test_the_same_corpus_is_built_each_time():
    again = [
        corpus.planted(one.table, entry) for one, (_, entry) in zip(planted_columns()[:60], entries(), strict=False)
    ]
    assert all(left.values.equals(right.values) for left, right in zip(again, planted_columns(), strict=False))
    assert len(again) == 60
