"""Tables: cells, escaping, scopes, errors."""

import re

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.errors import ReportError
from analysis.report import Column, Table
from analysis.report.parts.part import PART_TYPE

SHARES = pd.DataFrame(
    {
        "week": [6.0, 12.5],
        "protocol": ["usual", "early"],
        "yes": [3, 0],
        "n": [20, 0],
        "share": [0.15, float("nan")],
        "lower": [0.05, float("nan")],
        "upper": [0.36, float("nan")],
    }
)


@pytest.mark.parametrize(
    ("column", "shown"),
    [
        (Column("protocol", "P"), ["usual", "early"]),
        (Column("n", "N", "count"), ["20", "0"]),
        (Column("week", "W", "week"), ["6", "12.5"]),
        (Column("share", "S", "number", 2), ["0.15", "–"]),
        (Column("share", "S", "signed", 2), ["+0.15", "–"]),
        (Column("share", "S", "share"), ["15 %", "–"]),
        (Column("share", "S", "points"), ["+15", "–"]),
        (Column("share", "S", "p"), ["0.150", "–"]),
        (Column(("yes", "n"), "F", "fraction"), ["3/20", "0/0"]),
        (Column(("yes", "n"), "F", "fraction with share"), ["3/20 (15 %)", "0/0"]),
        (Column(("lower", "upper"), "I", "interval", 1), ["0.1 to 0.4", "–"]),
        (Column(("lower", "upper"), "I", "shares"), ["5 to 36 %", "–"]),
        (Column(("lower", "upper"), "I", "points limits"), ["+5 to +36", "–"]),
        (Column(("share", "lower", "upper"), "I", "number with interval", 2), ["0.15 (0.05 to 0.36)", "–"]),
        (Column(("share", "lower", "upper"), "I", "signed with interval", 2), ["+0.15 (0.05 to 0.36)", "–"]),
        (Column(("share", "lower", "upper"), "I", "share with interval"), ["15 % (5 to 36 %)", "–"]),
        (Column(("share", "lower", "upper"), "I", "points with interval"), ["+15 (+5 to +36)", "–"]),
        (Column("share", "I", "share with interval"), ["15 % (5 to 36 %)", "–"]),
    ],
)
def test_a_column_shows_its_format_and_an_empty_denominator_never_as_zero_percent(column, shown):
    assert Table(SHARES, "Shares.", (column,)).cells()[column.label].tolist() == shown


def test_a_value_that_names_no_limits_takes_lower_and_upper():
    table = Table(SHARES, "Shares.", (Column("share", "Share", "share with interval"),))
    assert table.to_csv().splitlines()[:2] == ["share,lower,upper", "0.15,0.05,0.36"]
    with pytest.raises(ReportError, match="no column 'lower', 'upper'"):
        Table(SHARES[["share"]], "Shares.", (Column("share", "Share", "share with interval"),))


def test_words_stand_in_the_place_of_numbers_where_there_are_some():
    data = pd.DataFrame({"name": ["a", "b"], "done": [3.0, None], "of": [4.0, None], "words": [None, "not prescribed"]})
    column = Column(("done", "of"), "Done", "fraction with share", instead="words")
    assert Table(data, "Done.", (Column("name", "Name"), column)).cells()["Done"].tolist() == [
        "3/4 (75 %)",
        "not prescribed",
    ]
    with pytest.raises(ReportError, match="no column 'word'"):
        Table(data, "Done.", (Column("done", "Done", "count", instead="word"),))


def test_markup_and_spreadsheet_formulas_are_shown_as_text():
    data = pd.DataFrame(
        {"name": ["<script>alert(1)</script>", "=cmd('x')", "[a](javascript:b)"], "g": ["<i>", "<i>", "&"]}
    )
    table = Table(data, "<b>caption</b>", (Column("name", "<u>head</u>"),), ("<img src=x>",), rows_grouped_by="g")
    page = table.to_html()
    assert not any(tag in page for tag in ("<script", "<b>", "<u>", "<img", "<i>"))
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in page
    assert ">=cmd(" in page


def elements(word):
    data = pd.DataFrame({"name": [word, "b"], "n": [1, 2]})
    columns = (Column("name", f"{word}|"), Column("n", "N", "count", group="g"))
    page = Table(data, word, columns, (word,)).to_html()
    return [part.split(">")[0].split(" ")[0] for part in page.split("<")[1:]]


ELEMENTS = elements("a")


@settings(max_examples=40)
@given(st.text(max_size=40))
def test_any_text_leaves_the_elements_of_the_table_as_they_were(text):
    assert elements(text) == ELEMENTS


def test_heads_have_scope_and_the_caption_comes_first():
    page = Table(
        SHARES, "Shares.", (Column("protocol", "Protocol"), Column("n", "N", "count", group="Counts"))
    ).to_html()
    assert page.count("<th ") == page.count("scope=") == 5
    assert page.index("<caption>") < page.index("<thead>")
    assert ' id="' not in page
    assert (
        page
        == Table(
            SHARES, "Shares.", (Column("protocol", "Protocol"), Column("n", "N", "count", group="Counts"))
        ).to_html()
    )


def test_numbers_stand_right_but_where_they_head_the_rows():
    columns = (
        Column("week", "Week", "week"),
        Column("protocol", "Protocol"),
        Column("n", "N", "count", group="Counts"),
    )
    table = Table(SHARES.head(1), "Shares.", columns)
    assert table.sides() == ["left", "left", "right"]
    page = table.to_html()
    assert re.findall(r'<th scope="col"[^>]* class="(\w+)">(\w+)<', page) == [
        ("left", "Week"), ("left", "Protocol"), ("right", "N"),
    ]  # fmt: skip
    assert re.findall(r'<t[hd] [^>]*class="(\w+)">[^<]*</t[hd]>', page.partition("<tbody>")[2]) == table.sides()


def test_an_empty_table_is_written():
    assert "<tbody" in Table(SHARES.head(0), "Nobody.", (Column("protocol", "Protocol"),)).to_html()


def test_the_bundle_describes_what_is_shown():
    table = Table(
        SHARES, "Shares.", (Column("protocol", "Protocol"), Column(("yes", "n"), "F", "fraction")), ("A note.",)
    )
    described = table._repr_mimebundle_()[PART_TYPE]["table"]
    assert described["rows"] == [["usual", "3/20"], ["early", "0/0"]]
    assert described["columns"][1] == {"label": "F", "group": "", "numeric": True}
    assert "A note." in str(table)


def test_a_missing_column_is_refused():
    with pytest.raises(ReportError) as caught:
        Table(SHARES, "Shares.", (Column("nothing", "N"),), name="shares")
    assert str(caught.value) == (
        "The table 'shares' has no column 'nothing'.\n"
        "  where: columns there: week, protocol, yes, n, share, lower, upper\n"
        "  what to do: Name columns of the data."
    )


def test_an_unknown_format_is_refused():
    with pytest.raises(ReportError, match="There is no column format 'percent'"):
        Table(SHARES, "Shares.", (Column("n", "N", "percent"),))
