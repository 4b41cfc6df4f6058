"""The numbers of a report as CSV: every table and figure, not rounded, nothing that was hidden, nothing a spreadsheet runs."""

import io
import json

import pandas as pd
import pytest

from analysis.report import Column, Figure, Table
from analysis.report.forms.csv_tables import document_to_csv
from analysis.report.forms.document import Document, Shown
from analysis.report.forms.markdown import Heading


def written(*blocks):
    return document_to_csv(Document((Shown("one", (Heading(1, "A report"), *blocks)),)))


def read(text):
    return pd.read_csv(io.StringIO(text), keep_default_na=False, na_values=[""])


def shares(**options):
    data = pd.DataFrame(
        {
            "protocol": ["usual", "=1+1"],
            "count": pd.array([1, 2], dtype="Int64"),
            "n": [3, 30],
            "share": [1 / 3, 2e-20],
            "site": ["a", "b"],
            "level": [0.95, 0.95],
            "secret": [7, 8],
            "words": [None, "hidden"],
        }
    )
    columns = (
        Column("protocol", "Protocol"),
        Column(("count", "n"), "Patients", "fraction", instead="words"),
        Column("share", "Share", "share"),
    )
    return Table(data, "Shares.", columns, ("A note.",), name="shares by site", rows_grouped_by="site", **options)


def test_numbers_are_whole_hidden_ones_stay_hidden_and_columns_not_shown_are_left_out():
    table = read(written(shares())["shares-by-site.csv"])
    assert table.columns.tolist() == ["site", "protocol", "count", "n", "words", "share", "level"]
    assert table["share"].tolist() == [1 / 3, 2e-20]
    assert table["protocol"].tolist() == ["usual", "'=1+1"]
    assert table.loc[0, ["count", "n"]].tolist() == [1, 3]
    assert table.loc[1, ["count", "n"]].isna().all()
    assert table.loc[1, "words"] == "hidden"


def test_a_table_read_back_from_a_notebook_has_the_same_numbers_and_its_digest_only_what_is_shown():
    table = shares()
    back = Table.from_json(json.loads(json.dumps(table.to_json())))
    assert back.to_csv() == table.to_csv()
    assert back.words() == table.words()
    assert "0.333333" not in json.dumps(table.words())


def test_every_table_and_figure_has_a_file_of_its_own_and_stands_in_the_contents():
    figure = Figure("shares by site", "Shares", "By site.", "Said.", shares(), lambda width: None)
    files = written(Heading(2, "First"), shares(), Heading(2, "Second"), figure)
    assert list(files) == ["contents.csv", "shares-by-site.csv", "shares-by-site-2.csv"]
    contents = read(files["contents.csv"])
    assert contents["file"].tolist() == ["shares-by-site.csv", "shares-by-site-2.csv"]
    assert contents["section"].tolist() == ["First", "Second"]
    assert contents["shown as"].tolist() == ["table", "figure"]
    assert contents["caption"].tolist() == ["Shares.", "Shares. By site."]
    assert contents["notes"].tolist() == ["A note.", "A note."]


@pytest.mark.parametrize("name", ["../../etc/passwd", "a/b\\c", "...", ""])
def test_the_name_of_a_table_leads_nowhere_else(name):
    table = Table(pd.DataFrame({"n": [1]}), "A table.", name=name)
    _, file = written(table)
    assert not set(file) & set("/\\")
    assert not file.startswith(".")
