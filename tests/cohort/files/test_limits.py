"""Files that would hang, crash or fill the memory end in an explained error: long headers, pipes, depths, wrong types."""

import copy
import json
import os
import sys

import pandas as pd
import pytest

from analysis.cohort import Cohort, check_folder, deidentify, import_cohort, review_columns, suggest_map, write_cohort
from analysis.cohort.deidentification.keys import read_key
from analysis.cohort.files.readers import read_csv, read_table
from analysis.cohort.importing.map_file import read_map
from analysis.errors import CohortError
from analysis.quality.value_rules import read_value_rules

WRONG = (None, 1, -1.5, True, "x", "\x00", [], [1], [[]], [None], {}, {"a": 1}, {"name": 1})


def test_a_header_longer_than_64_kilobytes_is_read_whole(tmp_path):
    names = [f"a_long_name_of_a_column_{i}" for i in range(4000)]
    (tmp_path / "t.csv").write_text(",".join(names) + "\n" + ",".join(["1"] * 4000) + "\n")
    assert read_csv(tmp_path / "t.csv").frame.columns.tolist() == names


@pytest.mark.parametrize("ends", ["\n", "\r\n", "\r"])
def test_a_header_that_ends_where_the_first_portion_is_read(tmp_path, ends):
    for length in range((1 << 16) - 3, (1 << 16) + 2):
        name = "x" * (length - 2 - len(ends))
        (tmp_path / "t.csv").write_bytes(f"{name},y{ends}1,2{ends}".encode())
        assert read_csv(tmp_path / "t.csv").frame.columns.tolist() == [name, "y"]


@pytest.mark.parametrize(
    ("content", "said"),
    [
        pytest.param(",".join(f"c{i}" for i in range(20_000)) + "\n1\n", "20,000 columns, more than the kit reads", id="many"),
        pytest.param("id,x," * (1 << 20), "first row is longer than 4 MB", id="no line ends"),
    ],
)  # fmt: skip
def test_too_many_columns(tmp_path, content, said):
    (tmp_path / "t.csv").write_text(content)
    with pytest.raises(CohortError, match=said):
        read_csv(tmp_path / "t.csv")


@pytest.mark.skipif(sys.platform == "win32", reason="no pipes in folders")
def test_nobody_waits_for_a_pipe(tmp_path):
    for name in ("t.csv", "t.xlsx", "t.sav", "t.parquet", "map.toml"):
        os.mkfifo(tmp_path / name)
        read = read_map if name == "map.toml" else read_table
        with pytest.raises(CohortError, match="a pipe or a device, not a file"):
            read(tmp_path / name)
    for wait in (
        lambda: suggest_map(tmp_path / "t.csv", tmp_path / "new.toml"),
        lambda: read_value_rules(tmp_path / "map.toml"),
        lambda: read_key(tmp_path / "map.toml", tmp_path / "source" / "t.csv", tmp_path / "out"),
    ):
        with pytest.raises(CohortError, match="a pipe or a device, not a file"):
            wait()


@pytest.mark.parametrize("name", ["a\x00b.csv", "a\ud800b.csv"])
def test_a_name_that_no_file_can_have(tmp_path, name):
    (tmp_path / "t.csv").write_text("id,arm,week,pain\nP1,a,0,1\n")
    path = tmp_path / name
    for attempt in (
        lambda: read_table(path),
        lambda: import_cohort(tmp_path / "t.csv", path),
        lambda: read_map(path),
        lambda: suggest_map(tmp_path / "t.csv", path),
        lambda: suggest_map(path, tmp_path / "map.toml"),
        lambda: review_columns(tmp_path / "t.csv", patient="id").write(path),
        lambda: deidentify(tmp_path / "t.csv", tmp_path / "out", key_file=path),
        lambda: deidentify(path, tmp_path / "out"),
        lambda: deidentify(tmp_path / "t.csv", path),
    ):
        with pytest.raises(CohortError, match="No file has such a name"):
            attempt()


def test_a_word_of_the_parser_without_end_is_cut(tmp_path):
    (tmp_path / "map.toml").write_text(f"[{'.'.join('a' * 5000)}]\n" * 2)
    with pytest.raises(CohortError, match="no valid TOML: Cannot declare") as caught:
        read_map(tmp_path / "map.toml")
    assert len(caught.value.what) < 300


@pytest.mark.parametrize("text", ["a = " + "[" * 5000 + "]" * 5000, "a = " + "{a=" * 3000 + "1" + "}" * 3000])
def test_toml_too_deep(tmp_path, text):
    (tmp_path / "map.toml").write_text(text)
    with pytest.raises(CohortError, match="too deep in one another"):
        read_map(tmp_path / "map.toml")
    with pytest.raises(CohortError, match="rules cannot be read"):
        read_value_rules(tmp_path / "map.toml")


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    patients = pd.DataFrame({"patient_id": ["P1", "P2"], "protocol": ["usual", "early"], "sex": ["f", "m"]})
    visits = pd.DataFrame({"patient_id": ["P1", "P2"], "week": 0, "measure": "pain", "limb": "none", "value": [4, 6]})
    return write_cohort(Cohort(patients, visits), tmp_path_factory.mktemp("written") / "cohort")


def places(part, path=()):
    """Give the way to every value of a descriptor; of the measures that of one."""
    if path:
        yield path
    inside = part.items() if isinstance(part, dict) else enumerate(part) if isinstance(part, list) else ()
    for key, value in inside:
        if path != ("kneecurve", "measures") or key == "pain":
            yield from places(value, (*path, key))


def with_wrong_values(folder, every):
    described = json.loads((folder / "datapackage.json").read_text())
    for i, path in enumerate(places(described)):
        for j, wrong in enumerate(WRONG):
            if (i + j) % every == 0:
                changed = copy.deepcopy(described)
                part = changed
                for key in path[:-1]:
                    part = part[key]
                part[path[-1]] = wrong
                yield changed


@pytest.mark.parametrize("every", [60, pytest.param(1, marks=pytest.mark.slow)])
def test_wrong_types_in_a_descriptor_are_explained(folder, every):
    path = folder / "datapackage.json"
    before = path.read_text()
    tried = 0
    try:
        for changed in with_wrong_values(folder, every):
            path.write_text(json.dumps(changed))
            tried += 1
            try:
                check_folder(folder)
            except CohortError as error:
                assert error.what_to_do, changed  # noqa: PT017
    finally:
        path.write_text(before)
    assert tried > 20


def test_a_descriptor_too_deep(folder, tmp_path):
    (tmp_path / "datapackage.json").write_text('{"resources": ' + "[" * 100_000 + "]" * 100_000 + "}")
    with pytest.raises(CohortError, match="no valid JSON"):
        check_folder(tmp_path)


@pytest.mark.parametrize("number", ["9" * 5000, "9" * 400])
def test_whole_numbers_that_no_computer_holds(folder, tmp_path, number):
    (tmp_path / "datapackage.json").write_text(f'{{"resources": [], "kneecurve": {{"format_version": {number}}}}}')
    with pytest.raises(CohortError, match="no valid JSON: a whole number in it is too large"):
        check_folder(tmp_path)
    (tmp_path / "map.toml").write_text(f"[measures.own]\nlowest = {number}\n")
    with pytest.raises(CohortError, match="no valid TOML: a whole number in it is too large"):
        read_map(tmp_path / "map.toml")
    (tmp_path / "rules.toml").write_text(f'[[rules]]\nmeasure = "pain"\nhighest = {number}\n')
    with pytest.raises(CohortError, match="rules cannot be read: a whole number in it is too large"):
        read_value_rules(tmp_path / "rules.toml")


def test_settings_that_are_too_long_too_deep_by_names_or_no_list_of_rules(tmp_path):
    path = tmp_path / "map.toml"
    path.write_text("a." * 2000 + "b = 1\n")
    with pytest.raises(CohortError, match="too deep in one another"):
        read_map(path)
    path.write_text("# " + "x" * (16 << 20) + "\n")
    with pytest.raises(CohortError, match="it is longer than 16 MB"):
        read_map(path)
    path.write_text("rules = 5\n")
    with pytest.raises(CohortError, match="rules cannot be read"):
        read_value_rules(path)


@pytest.mark.parametrize("decimals", ["inf", "-1", "16"])
def test_decimals_that_no_number_is_shown_with(tmp_path, decimals):
    (tmp_path / "map.toml").write_text(
        '[patients]\npatient_id = "id"\nprotocol = "arm"\n[week]\ncolumn = "w"\n[[values]]\nmeasure = "own"\ncolumn = "v"\n'
        f'[measures.own]\nunit = "points"\ndirection = "higher is better"\ndecimals = {decimals}\n'
    )
    with pytest.raises(CohortError, match="decimals should be a number from 0 to 15"):
        read_map(tmp_path / "map.toml")


@pytest.mark.parametrize("encoding", ["zlib", "hex", "rot13", "bz2"])
def test_an_encoding_that_is_none_of_text(tmp_path, encoding):
    (tmp_path / "t.csv").write_text("id,week\nP1,0\n")
    with pytest.raises(CohortError, match=f"There is no encoding '{encoding}'"):
        read_csv(tmp_path / "t.csv", encoding=encoding)


def test_millions_of_rows_that_do_not_fit_the_header_are_not_kept(tmp_path, monkeypatch):
    monkeypatch.setattr("analysis.cohort.files.readers.MOST_RAGGED", 1000)
    (tmp_path / "t.csv").write_text("id,week\nP1,0\n" + "x\n" * 1000)
    assert len(read_csv(tmp_path / "t.csv").frame) == 1
    (tmp_path / "t.csv").write_text("id,week\nP1,0\n" + "x\n" * 1001)
    with pytest.raises(CohortError, match="More than 1,000 rows do not fit the header"):
        read_csv(tmp_path / "t.csv")


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16"])
@pytest.mark.parametrize("ends", ["\n", "\r\n"])
def test_empty_lines_under_a_wide_header(tmp_path, ends, encoding):
    header = ",".join(f"c{i}" for i in range(2_000))
    (tmp_path / "t.csv").write_bytes((header + ends * 100_000).encode(encoding))
    with pytest.raises(
        CohortError, match=r"holds 100,000 rows of 2,000 columns, more than the kit reads of a file of its size"
    ):
        read_csv(tmp_path / "t.csv")
    (tmp_path / "t.csv").write_bytes((header + ends * 100 + "1," * 1_999 + ends).encode(encoding))
    assert read_csv(tmp_path / "t.csv").frame.index.tolist() == [99]
