"""Headers and names of files with control characters reach the terminal shown, not sent."""

import sys

import pytest

RED = "\x1b[31m"
MAP = '[patients]\npatient_id = "id"\nprotocol = "arm"\n[week]\ncolumn = "week"\n[[values]]\nmeasure = "pain"\ncolumn = "COLUMN"\n'


@pytest.fixture
def place(tmp_path):
    (tmp_path / "map.toml").write_text(MAP, encoding="utf-8")
    return tmp_path


def test_a_header_that_colours_the_terminal(kneecurve, place):
    (place / "data.csv").write_text(f"id,arm,week,pain,{RED}score\nP1,a,0,4,1\nP2,b,0,4,1\n", encoding="utf-8")
    answer = kneecurve("import", place / "data.csv", "--map", place / "map.toml", "--out", place / "out")
    assert answer.code == 1
    assert "\x1b" not in answer.out + answer.err
    assert "\\x1b[31mscore" in answer.err


def test_a_label_that_colours_the_terminal(kneecurve, place):
    (place / "map.toml").write_text(MAP.replace("COLUMN", "pain"), encoding="utf-8")
    (place / "data.csv").write_text(f"id,arm,week,pain\nP1,{RED}a,0,4\nP2,b,0,4\n", encoding="utf-8")
    answer = kneecurve("import", place / "data.csv", "--map", place / "map.toml", "--out", place / "out")
    assert answer.code == 0
    assert "\x1b" not in answer.out + answer.err
    assert "\\x1b[31ma" in answer.out


@pytest.mark.skipif(sys.platform == "win32", reason="no file of such a name")
@pytest.mark.parametrize("name", ["two\n  what to do: run this", f"{RED}red", "turned\u202e"])
def test_a_name_of_a_file_forges_no_line(kneecurve, place, name):
    folder = place / name
    said = str(folder).encode("unicode_escape").decode("ascii")
    missing = kneecurve("check", folder)
    assert missing.code == 1
    assert said in missing.err
    folder.mkdir()
    (folder / "d.csv").write_text("id,arm,week,pain\nP1,a,0,4\nP2,b,0,4\n", encoding="utf-8")
    written = kneecurve("import", folder / "d.csv", "--suggest-map", "--map", folder / "m.toml")
    assert written.code == 0
    assert said in written.out
    for answer in (missing, written):
        shown = answer.out + answer.err
        assert "\x1b" not in shown
        assert "\u202e" not in shown
        assert not any(line.startswith("  what to do: run this") for line in shown.splitlines())


@pytest.mark.skipif(sys.platform == "win32", reason="no file of such a name")
def test_a_name_that_is_no_text_at_all(kneecurve, place):
    answer = kneecurve("check", place / "caf\udce9")  # the byte E9, which is no UTF-8
    assert answer.code == 1
    assert "caf\\udce9" in answer.err
