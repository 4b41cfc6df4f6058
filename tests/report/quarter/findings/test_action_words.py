"""What became of the actions: new, open as before, closed once, open again, and none lost without a word."""

from analysis.quarter.ledger.entries import Release
from analysis.report.quarter.agreed.quarter_file import Action
from analysis.report.quarter.findings.action_words import actions_message, actions_since, actions_words


def release(*actions):
    return Release("2025-Q3", None, (), (), {}, {}, actions=actions)


def test_without_an_earlier_release_every_open_action_is_new():
    found = actions_since([Action("Call"), Action("Teach", state="done")], [])
    assert [(one.words, state) for one, state in found.told] == [("Call", "open, new"), ("Teach", "done")]
    assert actions_message(found) == "1 action open, 1 closed"
    assert actions_words(found) == ["1 action open, 1 closed."]


def test_actions_are_carried_on_with_their_state():
    before = [
        release(("Old", "done"), ("Back", "done")),
        release(("Call", "open"), ("Teach", "open"), ("Old", "done"), ("Back", "done")),
    ]
    now = [
        Action("Call"),
        Action("Teach", state="given up"),
        Action("Old", state="done"),
        Action("Back"),
        Action("New"),
    ]
    found = actions_since(now, before)
    assert [(one.words, state) for one, state in found.told] == [
        ("Call", "open as before"),
        ("Teach", "given up"),
        ("Back", "open again"),
        ("New", "open, new"),
    ]
    assert found.closed_before == 1
    assert actions_message(found) == "3 actions open, 1 closed since the last release"
    assert "1 action was told as done or given up before." in actions_words(found)


def test_an_open_action_that_left_the_file_is_named():
    found = actions_since([], [release(("Call", "open"), ("Teach", "done"))])
    assert found.gone == ("Call",)
    assert len(actions_words(found)) == 1
    assert "“Call” as open; it is not in the quarter file any more" in actions_words(found)[0]


def test_without_any_action_nothing_is_said():
    assert actions_words(actions_since([], [])) == []


def test_open_actions_about_an_indicator_are_found():
    found = actions_since(
        [Action("Call", indicator="improved"), Action("Done", state="done", indicator="improved")], []
    )
    assert [one.words for one in found.about("improved")] == ["Call"]
    assert found.about("harms") == []
