"""Whatever stops the swap of a folder, at whatever step: the old one or the new one is whole, never neither."""

import os
import signal
import threading

import pytest

from analysis.writing import owners, swaps

#: What the swap asks of the system.
CALLS = ("mkdir", "rename", "rmdir", "unlink", "scandir", "listdir", "open", "stat", "lstat")
OLD, NEW = {"a": "old", "b": "old"}, {"a": "new", "c": "new"}


class Stop(BaseException):
    """What stops it: as an interruption from the keyboard, but no other."""


def write(folder, files):
    for name, text in files.items():
        (folder / name).write_text(text, encoding="utf-8")


def content(folder):
    return {path.name: path.read_text(encoding="utf-8") for path in folder.iterdir()}


class Stopper:
    """Count calls of the system and stop at one: once, or from there on, as if the process were dead."""

    def __init__(self, monkeypatch, at, *, after, dead):
        self.at, self.after, self.dead, self.n, self.on = at, after, dead, 0, False
        for name in CALLS:
            if hasattr(os, name):
                monkeypatch.setattr(os, name, self.stopping(getattr(os, name)))
        monkeypatch.setattr(swaps, "exchange", self.stopping(swaps.exchange))

    def stopping(self, call):
        def stop(*given, **named):
            if not self.on:
                return call(*given, **named)
            self.n += 1
            if self.n == self.at or (self.dead and self.n > self.at):
                if self.after and self.n == self.at:
                    call(*given, **named)
                raise Stop
            return call(*given, **named)

        return stop


@pytest.fixture(params=["one step", "two steps"])
def way(request, monkeypatch):
    if request.param == "two steps":
        monkeypatch.setattr(swaps, "exchange", lambda *_: False)
    elif not can_exchange():
        pytest.skip("this system cannot exchange two folders")


def can_exchange():
    import tempfile
    from pathlib import Path

    with tempfile.TemporaryDirectory() as name:
        one, other = Path(name, "one"), Path(name, "other")
        one.mkdir()
        other.mkdir()
        return swaps.exchange(one, other)


@pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.usefixtures("way")
@pytest.mark.parametrize("dead", [False, True], ids=["interrupted", "killed"])
@pytest.mark.parametrize("after", [False, True], ids=["before", "after"])
def test_at_every_call_of_the_system_the_old_or_the_new_folder_is_whole(tmp_path, after, dead):
    stops = 0
    for at in range(1, 400):
        folder = tmp_path / f"{at}" / "cohort"
        folder.mkdir(parents=True)
        write(folder, OLD)
        with pytest.MonkeyPatch.context() as patch:
            stopper = Stopper(patch, at, after=after, dead=dead)
            try:
                stopper.on = True
                with swaps.written_beside(folder) as part:
                    stopper.on = False
                    write(part, NEW)
                    stopper.on = True
            except Stop:
                stops += 1
            finally:
                stopper.on = False
            if stopper.n < at:
                break
        if not folder.exists():
            assert dead, "only a dead process may leave a step to the next command"
            swaps.finish(folder)
        assert content(folder) in (OLD, NEW)
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(swaps, "is_dead", lambda _mark: True)
            swaps.tidy(folder.parent)
        assert [path.name for path in folder.parent.iterdir()] == ["cohort"]
        assert content(folder) in (OLD, NEW)
    assert stops > 3
    assert content(folder) == NEW


def test_a_swap_that_fails_leaves_the_old_folder_and_nothing_else(tmp_path, monkeypatch):
    folder = tmp_path / "cohort"
    folder.mkdir()
    write(folder, OLD)
    monkeypatch.setattr(swaps, "exchange", lambda *_: False)
    rename = type(folder).rename

    def refused(path, target):
        if ".part-" in path.name:
            raise OSError(13, "no")
        return rename(path, target)

    monkeypatch.setattr(type(folder), "rename", refused)
    with pytest.raises(OSError), swaps.written_beside(folder) as part:
        write(part, NEW)
    assert content(folder) == OLD
    assert list(tmp_path.iterdir()) == [folder]


def test_what_living_processes_write_is_left_alone(tmp_path):
    (tmp_path / f".cohort.part-{owners.new_token()}").mkdir()
    (tmp_path / ".cohort.part-mine").mkdir()
    there = set(tmp_path.iterdir())
    with swaps.written_beside(tmp_path / "cohort") as part:
        write(part, NEW)
    assert set(tmp_path.iterdir()) == there | {tmp_path / "cohort"}


def test_a_signal_that_comes_meanwhile_comes_afterwards(tmp_path):
    done = []

    def two_steps():
        with swaps.signals_held():
            signal.raise_signal(signal.SIGINT)
            done.append("the second step")

    with pytest.raises(KeyboardInterrupt):
        two_steps()
    assert done == ["the second step"]
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler


@pytest.mark.usefixtures("way")
def test_ctrl_c_while_folders_take_their_place_leaves_nothing_beside_the_new_one(tmp_path, monkeypatch):
    folder = tmp_path / "cohort"
    folder.mkdir()
    write(folder, OLD)
    exchange = swaps.exchange

    def interrupted(one, other):
        signal.raise_signal(signal.SIGINT)
        return exchange(one, other)

    monkeypatch.setattr(swaps, "exchange", interrupted)
    with pytest.raises(KeyboardInterrupt), swaps.written_beside(folder) as part:
        write(part, NEW)
    assert content(folder) == NEW
    assert list(tmp_path.iterdir()) == [folder]


def test_another_thread_holds_no_signals():
    done = []

    def work():
        with swaps.signals_held():
            done.append(signal.getsignal(signal.SIGINT) is signal.default_int_handler)

    thread = threading.Thread(target=work)
    thread.start()
    thread.join()
    assert done == [True]
