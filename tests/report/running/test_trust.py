"""A record from elsewhere runs nothing of its own: only notebooks of the kit, or one that the user named and trusts."""

import hashlib
import os
import shutil
from functools import partial

import pytest

from analysis.errors import ReportError
from analysis.report import repeat_report
from analysis.report.running import repeat
from analysis.report.running.notebooks import find_report
from analysis.report.running.record import read_record
from analysis.report.running.trust import notebook_to_repeat

from .foreign_record import NOBODY, write_record


@pytest.fixture
def a_record(tmp_path):
    """Write a record that names a report and a notebook, and hold what it would run."""
    folder = tmp_path / "downloads"
    folder.mkdir()

    return partial(write_record, folder / "r.json")


def run_what(file, **more):
    return notebook_to_repeat(file, read_record(file), **({"notebook": None, "trust": True} | more))


def sha256(path):
    return hashlib.sha256(path.read_bytes()).hexdigest()


def test_a_report_of_the_kit_is_run_as_the_kit_has_it_whatever_the_record_says_of_its_hash(a_record):
    assert run_what(a_record("one_patient"), trust=False) == find_report("one_patient")


def test_a_copy_of_a_notebook_of_the_kit_is_run_from_the_kit_not_from_where_the_record_says(a_record):
    own = find_report("one_patient")
    assert run_what(a_record("one_patient", "../../evil.ipynb", sha256=sha256(own)), trust=False) == own


@pytest.mark.parametrize("name", ["own", "own.ipynb", "/tmp/own.ipynb", "../own.ipynb", "reports/one_patient"])
def test_a_name_that_is_no_report_of_the_kit_is_never_a_path(a_record, tmp_path, name):
    (tmp_path / "own.ipynb").write_text("{}")
    with pytest.raises(ReportError, match="names a report that the kit does not have"):
        run_what(a_record(name))


@pytest.mark.parametrize("path", ["../own.ipynb", "a/../../own.ipynb", "/own.ipynb", "..\\own.ipynb", "C:\\own.ipynb"])
def test_a_record_chooses_no_path_outside_its_own_folder_not_even_where_it_is_trusted(a_record, tmp_path, path):
    (tmp_path / "own.ipynb").write_text("{}")
    with pytest.raises(ReportError, match="names a notebook outside its own folder") as caught:
        run_what(a_record("own", path))
    assert "--notebook FILE" in caught.value.what_to_do


@pytest.mark.parametrize("path", ["own\ud800.ipynb", "own\0.ipynb"])
def test_a_name_that_no_notebook_can_have(a_record, path):
    with pytest.raises(ReportError, match="No file has such a name"):
        run_what(a_record("own", path))


@pytest.mark.skipif(os.name == "nt", reason="links need rights there")
def test_a_link_leads_nowhere_else(a_record, tmp_path):
    file = a_record("own", "inside.ipynb")
    (tmp_path / "own.ipynb").write_text("{}")
    (file.parent / "inside.ipynb").symlink_to(tmp_path / "own.ipynb")
    with pytest.raises(ReportError, match="names a notebook outside its own folder"):
        run_what(file)


def test_a_notebook_beside_the_record_is_run_only_where_it_is_trusted_after_it_was_shown(a_record):
    file = a_record("own", "deep/inside.ipynb")
    beside = file.parent / "deep" / "inside.ipynb"
    beside.parent.mkdir()
    beside.write_text("{}")
    with pytest.raises(ReportError, match="is not one of the kit's") as caught:
        run_what(file, trust=False)
    assert str(beside) in caught.value.where
    assert f"SHA-256 {sha256(beside)}" in caught.value.where
    assert f"the record says {NOBODY}" in caught.value.where
    assert "--trust" in caught.value.what_to_do
    shown = []
    assert run_what(file, trust=lambda said: shown.append(said) or True) == beside
    assert shown == [caught.value.where]
    with pytest.raises(ReportError, match="is not one of the kit's"):
        run_what(file, trust=lambda _said: False)


def test_a_notebook_with_the_name_of_one_of_the_kit_is_compared_with_it(a_record):
    file = a_record("one_patient", "one_patient.ipynb")
    (file.parent / "one_patient.ipynb").write_text("{}")
    with pytest.raises(ReportError) as caught:
        run_what(file, trust=False)
    assert f"the kit's own notebook of that name has {sha256(find_report('one_patient'))}" in caught.value.where


def test_a_notebook_that_the_user_names_may_lie_anywhere_and_needs_trust_unless_it_is_the_kits(a_record, tmp_path):
    file, named = a_record("own", "../own.ipynb"), tmp_path / "own.ipynb"
    with pytest.raises(ReportError, match="There is no such notebook"):
        run_what(file, notebook=named)
    named.write_text("{}")
    with pytest.raises(ReportError, match="is not one of the kit's"):
        run_what(file, notebook=named, trust=False)
    assert run_what(file, notebook=named) == named
    shutil.copy(find_report("one_patient"), named)
    assert run_what(file, notebook=named, trust=False) == named


def test_nothing_is_read_or_run_before_the_notebook_is_judged(a_record, monkeypatch):
    def never(*_, **__):
        raise AssertionError("it was run")

    monkeypatch.setattr(repeat, "make_report", never)
    with pytest.raises(ReportError, match="names a notebook outside its own folder"):
        repeat_report(a_record("own", "../own.ipynb"))
