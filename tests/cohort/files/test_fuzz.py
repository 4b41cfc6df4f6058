"""Damaged files by seed: each is read, or refused with an explained error, within its limits; nothing is left behind."""

import shutil
import tempfile
import time
import warnings

import pytest

from analysis.cohort import check_folder, import_cohort
from analysis.cohort.files import reading_apart
from analysis.cohort.files.limits import limits_of
from analysis.cohort.files.readers import read_csv, read_table
from analysis.errors import CohortWarning, KneecurveError
from analysis.quality.value_rules import read_value_rules

from .damage import damaged, valid_files

FILES = (
    "t.csv", "wide.csv", "latin.csv", "t.parquet", "bare.parquet", "t.xlsx", "t.sav", "plain.sav", "t.zsav", "t.dta", "t.xpt",
    "t.sas7bdat", "datapackage.json", "map.toml", "rules.toml",
)  # fmt: skip
#: Those that take long to read are tried on fewer files by default.
FEW = {"datapackage.json": 8, "map.toml": 8, "t.xlsx": 20}


@pytest.fixture(scope="module")
def valid(tmp_path_factory):
    folder = tmp_path_factory.mktemp("valid")
    return folder, valid_files(folder)


@pytest.fixture
def read(tmp_path, valid, monkeypatch):
    """Read a file as a user would; its reader is kept after an error, or 2,000 of them would start. Nothing may be left."""
    folder, contents = valid
    (tmp_path / "left").mkdir()
    (tmp_path / "import").mkdir()
    (tmp_path / "import" / "t.csv").write_bytes(contents["t.csv"])
    shutil.copytree(folder / "cohort", tmp_path / "cohort")
    end_readers = reading_apart._end_readers
    monkeypatch.setattr(reading_apart, "_end_readers", lambda: None)
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "left"))

    def run(name, content):
        path = (tmp_path / "cohort" if name == "datapackage.json" else tmp_path) / name
        path.write_bytes(content)
        if name == "datapackage.json":
            return check_folder(path.parent)
        if name == "map.toml":
            return import_cohort(tmp_path / "import" / "t.csv", path)
        if name == "rules.toml":
            return read_value_rules(path)
        return read_csv(path, encoding="cp1252") if name == "latin.csv" else read_table(path)

    yield run
    end_readers()
    assert list((tmp_path / "left").iterdir()) == []


def explained(read, name, content):
    """Say whether a file ends in an explained error, within the time that its size allows."""
    began = time.monotonic()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", CohortWarning)
        try:
            read(name, content)
        except KneecurveError as error:
            assert error.what  # noqa: PT017
            assert error.what_to_do or error.where  # noqa: PT017
            return True
        finally:
            assert time.monotonic() - began < limits_of(len(content)).seconds
    return False


@pytest.mark.parametrize("name", FILES)
def test_forty_damaged_files_of_each_kind(read, valid, name):
    seeds = range(FEW.get(name, 40))
    assert explained(read, name, valid[1][name]) == (name == "t.sas7bdat")
    refused = sum(explained(read, name, damaged(name, valid[1][name], seed)) for seed in seeds)
    assert 0 < refused <= len(seeds)


@pytest.mark.slow
@pytest.mark.parametrize("name", FILES)
def test_two_thousand_damaged_files_of_each_kind(read, valid, name):
    refused = sum(explained(read, name, damaged(name, valid[1][name], seed)) for seed in range(2000))
    assert refused > 100
    assert refused < 2000 or name == "t.sas7bdat"
