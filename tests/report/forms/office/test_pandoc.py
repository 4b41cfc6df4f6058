"""The pandoc that is run is the one installed with the kit, whatever lies on the user's path."""

import os
from pathlib import Path
from types import SimpleNamespace

import pypandoc
import pytest

from analysis.errors import ReportError
from analysis.report.forms.office import pandoc


@pytest.fixture(autouse=True)
def nothing_remembered():
    pandoc._path.cache_clear()
    yield
    pandoc._path.cache_clear()


@pytest.fixture
def no_package(monkeypatch, tmp_path):
    """Let pypandoc be there without the program, in an environment that is a folder of the test."""
    module = SimpleNamespace(__file__=str(tmp_path / "pypandoc" / "__init__.py"))
    monkeypatch.setattr(pandoc.importlib, "import_module", lambda _: module)
    monkeypatch.setattr(pandoc.sys, "prefix", str(tmp_path))
    return tmp_path


@pytest.mark.skipif(os.name == "nt", reason="the other pandoc is a script of the shell")
def test_a_newer_pandoc_on_the_path_is_not_run(monkeypatch, tmp_path):
    newer, was_run = tmp_path / "pandoc", tmp_path / "was_run"
    newer.write_text(f'#!/bin/sh\necho "pandoc 99.9.9"\ntouch "{was_run}"\n')
    newer.chmod(0o755)
    monkeypatch.setenv("PATH", f"{tmp_path}{os.pathsep}{os.environ['PATH']}")
    monkeypatch.setenv("PYPANDOC_PANDOC", str(newer))
    pypandoc.clean_pandocpath_cache()
    assert pandoc._path() == str(Path(pypandoc.__file__).resolve().parent / "files" / "pandoc")
    assert pandoc._run(["--version"], tmp_path) == ""
    assert not was_run.exists()


@pytest.mark.usefixtures("no_package")
def test_where_the_package_has_no_pandoc_none_is_looked_for():
    with pytest.raises(ReportError, match="Word and PowerPoint files need the package pypandoc-binary"):
        pandoc._path()


@pytest.mark.skipif(os.name == "nt", reason="conda keeps programs elsewhere there")
def test_a_conda_environment_has_it_among_its_own_programs(no_package):
    own = no_package / "bin" / "pandoc"
    own.parent.mkdir()
    own.write_text("")
    with pytest.raises(ReportError):
        pandoc._path()
    (no_package / "conda-meta").mkdir()
    assert pandoc._path() == str(own)
