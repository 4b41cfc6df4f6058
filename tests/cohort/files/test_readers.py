"""Files as they come: read as they are, or refused with one message."""

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from analysis.cohort.files.readers import read_csv, read_parquet, read_table
from analysis.errors import CohortError


def write(path, content, encoding="utf-8"):
    path.write_bytes(content if isinstance(content, bytes) else content.encode(encoding))
    return path


@pytest.mark.parametrize(
    ("content", "options"),
    [
        pytest.param("id,name\n1,Zoë\n", {}, id="utf-8"),
        pytest.param("\ufeffid,name\r\n1,Zoë\r\n", {}, id="byte-order mark, line ends of Windows"),
        pytest.param("id,name\n1,Zoë\n".encode("utf-16"), {}, id="utf-16 with its mark"),
        pytest.param("id,name\n1,Zoë\n".encode("utf-16-le"), {"encoding": "utf-16-le"}, id="utf-16 as declared"),
        pytest.param("id,name\n1,Zoë\n".encode("cp1252"), {"encoding": "cp1252"}, id="cp1252 as declared"),
        pytest.param("id;name\n1;Zoë\n", {"delimiter": ";"}, id="semicolon"),
        pytest.param('id\tname\n1\t"Zoë"\n', {"delimiter": "\t"}, id="tab, quoted"),
    ],
)
def test_the_same_table_in_other_clothes(tmp_path, content, options):
    frame = read_csv(write(tmp_path / "t.csv", content), **options).frame
    assert frame.to_dict("list") == {"id": ["1"], "name": ["Zoë"]}


def test_cells_stay_text_and_missing_is_missing(tmp_path):
    raw = read_csv(write(tmp_path / "t.csv", 'id,x\n007,"NA"\n1e3,\n\n008,"a\nb"\n'))
    assert raw.frame["id"].tolist() == ["007", "1e3", "008"]
    assert raw.frame["x"].isna().tolist() == [True, True, False]
    assert raw.frame.index.tolist() == [0, 1, 3]


def test_rows_that_do_not_fit_the_header_are_left_out_and_named(tmp_path):
    raw = read_csv(write(tmp_path / "t.csv", "a,b\n1,2\n3\n4,5,6\n7,8\n"))
    assert raw.ragged == ((1, 1), (2, 3))
    assert raw.frame["a"].to_dict() == {0: "1", 3: "7"}


def test_a_column_of_row_names_without_a_name(tmp_path):
    assert read_csv(write(tmp_path / "t.csv", '"",a\n1,2\n')).frame.columns.tolist() == ["column 1", "a"]


@pytest.mark.parametrize(
    ("content", "said", "advice"),
    [
        pytest.param(b"", "The file is empty", "Export", id="empty"),
        pytest.param(b"\xef\xbb\xbf \r\n\x00", "The file is empty", "Export", id="a mark only"),
        pytest.param(b"PK\x03\x04....", "a workbook or a zip archive", ".xlsx", id="zip"),
        pytest.param(b"\xd0\xcf\x11\xe0....", "password-protected workbook", "CSV", id="old workbook"),
        pytest.param(b"PAR1....", "a Parquet file", ".parquet", id="parquet"),
        pytest.param(b"%PDF-1.7", "a PDF", "Export", id="pdf"),
        pytest.param(b"\x1f\x8b\x08\x00", "compressed", "Unpack", id="gzip"),
        pytest.param(b"$FL2@(#) SPSS", "an SPSS file", ".sav", id="spss"),
        pytest.param(b"<html><table>", "web page", "CSV", id="html"),
        pytest.param(b'{"a": 1}', "JSON", "CSV", id="json"),
        pytest.param(b"\x00\x01\x02\x03binary", "not text", "CSV", id="binary"),
        pytest.param("id,x\n1,2\n".encode("utf-16-le"), "UTF-16 without a byte-order mark", "utf-16-le", id="utf-16"),
        pytest.param(b"id;x;y\n1;2;3\n", "a semicolon between its cells, not a comma", 'delimiter = ";"', id="semicolon"),
        pytest.param(b"id\tx\n1\t2\n", "a tab between its cells", 'delimiter = "\\t"', id="tab"),
        pytest.param(b"just some words\nmore words\n", "not a table", "names the columns", id="prose"),
        pytest.param(b"a,a\n1,2\n", "The column 'a' comes twice", "name of its own", id="twice"),
        pytest.param(b",,x\n1,2,3\n", "Several columns have no name", "name of its own", id="no names"),
        pytest.param(b"id,name\n1,Zo\xeb\n2,x\n", "not utf-8: line 2", "cp1252", id="cp1252"),
        pytest.param("id,name\n1,Zoë\n".encode() + b"2,Zo\xeb\n", "mixes UTF-8 and another encoding", "line 3", id="mixed"),
    ],
)  # fmt: skip
def test_what_cannot_be_read_is_told_in_one_message(tmp_path, content, said, advice):
    with pytest.raises(CohortError, match=said) as caught:
        read_csv(write(tmp_path / "t.csv", content))
    assert advice in str(caught.value)
    assert "t.csv" in caught.value.where


def test_mixed_encodings_are_found_under_a_declared_encoding_of_single_bytes(tmp_path):
    path = write(tmp_path / "t.csv", b"id,name\n1,Zo\xeb\n" + "2,Zoë\n".encode())
    with pytest.raises(CohortError, match="mixes UTF-8 and cp1252") as caught:
        read_csv(path, encoding="cp1252")
    assert "line 3" in str(caught.value)


def test_an_encoding_that_does_not_exist(tmp_path):
    with pytest.raises(CohortError, match="no encoding 'klingon'"):
        read_csv(write(tmp_path / "t.csv", "a,b\n1,2\n"), encoding="klingon")


def test_a_folder_a_missing_file_and_one_without_permission(tmp_path):
    with pytest.raises(CohortError, match="a folder, not a file"):
        read_csv(tmp_path)
    with pytest.raises(CohortError, match="no such file"):
        read_csv(tmp_path / "x.csv")


def test_parquet_keeps_its_types_and_says_what_is_wrong(tmp_path):
    frame = pd.DataFrame({"id": ["1"], "when": pd.to_datetime(["2024-01-01"]), "x": [1.5]})
    frame.to_parquet(tmp_path / "t.parquet")
    pd.testing.assert_frame_equal(read_table(tmp_path / "t.parquet").frame, frame)
    with pytest.raises(CohortError, match="not a Parquet file, or it is damaged"):
        read_parquet(write(tmp_path / "d.parquet", (tmp_path / "t.parquet").read_bytes()[:-9]))
    pq.write_table(pa.table({"id": ["a"], "x": [[1, 2]]}), tmp_path / "n.parquet")
    with pytest.raises(CohortError, match="'x' holds lists or records"):
        read_parquet(tmp_path / "n.parquet")
