"""kneecurve import at a terminal, for which a pseudo-terminal stands, with what a person types."""

import os
import pty
import subprocess
import sys
import threading
import time

import pytest

from analysis.cohort import load_cohort

DATA = "id,got,week,pain\nP1,usual,0,6\nP1,usual,6,3\nP2,early,0,5\nP2,early,6,2\n"
ANSWERS = ("2", "1", "")  # the column of the protocol, the protocol that the others are compared with, the level


@pytest.fixture
def place(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "data.csv").write_text(DATA)
    return tmp_path


def read_all(terminal, seen):
    while True:
        try:
            some = os.read(terminal, 4096)
        except OSError:  # the other end is closed
            return
        if not some:
            return
        seen.append(some.decode())


@pytest.fixture
def at_terminal(kneecurve, monkeypatch):
    """Run ``kneecurve WORDS`` at a terminal at which lines are typed and the input ends; give the code and what it showed."""

    def run(*words, typed=()):
        person, program = pty.openpty()
        shown = []
        reader = threading.Thread(target=read_all, args=(person, shown))
        reader.start()
        os.write(person, "".join(f"{line}\n" for line in typed).encode() + b"\x04")
        with (
            open(program, closefd=False) as stdin,
            open(program, "w", closefd=False) as stdout,
            monkeypatch.context() as here,
        ):
            here.setattr(sys, "stdin", stdin)
            here.setattr(sys, "stdout", stdout)
            answer = kneecurve(*words)
        os.close(program)
        reader.join()
        os.close(person)
        return answer.code, "".join(shown), answer.err

    return run


def test_questions_are_asked_the_map_is_written_and_imported(at_terminal, place):
    code, shown, err = at_terminal("import", "data.csv", typed=ANSWERS)
    assert (code, err) == (0, "")
    assert "2  got: labels: usual, early" in shown
    assert "written to data_cohort" in shown
    cohort = load_cohort(place / "data_cohort")
    assert (cohort.protocols, cohort.reference) == (["usual", "early"], "usual")
    assert 'protocol = "got"' in (place / "data_map.toml").read_text()


def test_the_end_of_the_input_keeps_the_answers_and_imports_nothing(at_terminal, place):
    code, shown, _ = at_terminal("import", "data.csv", typed=ANSWERS[:1])
    assert code == 1
    assert "Answers so far are in data_map.toml; the same command goes on." in shown
    assert not (place / "data_cohort").exists()
    code, shown, _ = at_terminal("import", "data.csv", typed=ANSWERS[1:])
    assert code == 0
    assert "2  got: labels" not in shown
    assert load_cohort(place / "data_cohort").reference == "usual"


def test_no_answer_leaves_nothing(at_terminal, place):
    code, shown, _ = at_terminal("import", "data.csv")
    assert code == 1
    assert "Nothing was written" in shown
    assert [one.name for one in place.iterdir()] == ["data.csv"]


def test_a_cohort_that_is_there_is_said_before_anything_is_asked(at_terminal, place):
    (place / "data_cohort").mkdir()
    code, shown, err = at_terminal("import", "data.csv", typed=ANSWERS)
    assert code == 1
    assert "data_cohort" in err
    assert "--overwrite" in err
    assert "protocol" not in shown
    assert not (place / "data_map.toml").exists()


def test_a_file_that_cannot_be_imported_keeps_its_map(at_terminal, place):
    (place / "data.csv").write_text(DATA + "P2,early,6,4\n")
    code, shown, err = at_terminal("import", "data.csv", typed=ANSWERS)
    assert code == 1
    assert "row 6, patient P2" in shown
    assert "Nothing was written" in err
    assert (place / "data_map.toml").exists()
    assert not (place / "data_cohort").exists()


def test_a_log_of_sessions_is_a_part_of_a_map(at_terminal, place):
    rows = [f"P{i},2024-01-0{i},exercise,20" for i in (1, 2, 3)]
    (place / "log.csv").write_text("patient,session date,modality,minutes\n" + "\n".join(rows) + "\n")
    code, shown, _ = at_terminal("import", "log.csv", typed=["y"] * 9)
    assert code == 1
    assert "a part of a map" in shown
    assert (place / "log_map.toml").exists()


def test_a_map_that_is_suggested_at_a_terminal_asks_for_the_level_alone(at_terminal, place):
    code, shown, _ = at_terminal("import", "data.csv", "--suggest-map", typed=["2"])
    assert code == 0
    assert "At which level of de-identification?" in shown
    assert 'privacy = "limited"' in (place / "data_map.toml").read_text().splitlines()
    assert "not sure" in (place / "data_map.toml").read_text()


def test_the_end_of_the_input_leaves_the_level_open(at_terminal, place):
    code, _, _ = at_terminal("import", "data.csv", "--suggest-map")
    assert code == 0
    assert '# privacy = "limited"' in (place / "data_map.toml").read_text()


def test_without_a_terminal_it_says_what_to_do(kneecurve, place):
    answer = kneecurve("import", "data.csv")
    assert answer.code == 1
    assert "--map is missing, and there is no terminal to ask at." in answer.err
    assert "--suggest-map" in answer.err
    assert [one.name for one in place.iterdir()] == ["data.csv"]


@pytest.mark.slow
def test_ctrl_c_in_the_middle(place):
    person, program = pty.openpty()
    shown = []
    words = [sys.executable, "-m", "analysis", "import", "data.csv"]
    running = subprocess.Popen(words, stdin=program, stdout=program, stderr=program, start_new_session=True,
                               preexec_fn=lambda: os.close(os.open(os.ttyname(0), os.O_RDWR)))  # fmt: skip  # its own terminal
    os.close(program)
    reader = threading.Thread(target=read_all, args=(person, shown))
    reader.start()

    def wait_for(text):
        end = time.monotonic() + 120
        while text not in "".join(shown):
            assert time.monotonic() < end, "".join(shown)
            time.sleep(0.05)

    wait_for("Number (Enter: 5): ")
    os.write(person, b"2\n")
    wait_for("compared with?")
    os.write(person, b"\x03")
    code = running.wait(120)
    reader.join()
    os.close(person)
    assert code == 1, "".join(shown)
    assert "Answers so far are in data_map.toml" in "".join(shown)
    assert "Traceback" not in "".join(shown)
    assert sorted(one.name for one in place.iterdir()) == ["data.csv", "data_map.toml"]
