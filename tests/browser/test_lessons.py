"""Each lesson opened in JupyterLab in a real browser: an exercise answered, a slider moved, a picture taken."""

import base64
import os

import pytest

from analysis.lessons import copy_lessons, lesson_sources
from analysis.lessons.source import lesson_outlines

pytestmark = pytest.mark.slow

CURRENT = "[...jupyterapp.shell.widgets('main')].find(one => one.context && one.context.path.endsWith('ipynb'))"
CODE = f"{CURRENT}.content.widgets.filter(one => one.model.type === 'code')"
PATIENCE = 240
SLIDERS = {2, 4, 5, 6, 7, 8}


def shared(position):
    return f"{CODE}[{position}].model.sharedModel"


def run_from(browser, position):
    """Select a cell of code, run it, and wait until it is done."""
    browser.evaluate(
        f"(() => {{ const book = {CURRENT}.content; const cell = {CODE}[{position}];"
        " book.activeCellIndex = book.widgets.indexOf(cell); book.deselectAll(); book.scrollToItem(book.activeCellIndex);"
        " return jupyterapp.commands.execute('notebook:run-cell').then(() => true); })()"
    )
    browser.wait_for(f"{shared(position)}.execution_count !== null", patience=PATIENCE)


def words_of(browser, position):
    return browser.evaluate(f"JSON.stringify({shared(position)}.toJSON().outputs)")


def keep_picture(browser, name, tmp_path):
    """Keep a picture to look at: in the folder KNEECURVE_PICTURES, where it is set."""
    picture = base64.b64decode(browser.send("Page.captureScreenshot", format="png")["data"])
    folder = os.environ.get("KNEECURVE_PICTURES", tmp_path)
    with open(os.path.join(folder, f"{name}.png"), "wb") as file:  # noqa: PTH118, PTH123
        file.write(picture)
    return picture


@pytest.mark.parametrize("source", lesson_sources(), ids=lambda source: source.stem)
def test_a_lesson_is_opened_answered_and_looked_at(browser, laboratory, tmp_path, source):
    number = int(source.name[0])
    copy_lessons(tmp_path / "work" / "lessons")
    browser.size(1280, 900)
    browser.open(f"{laboratory}lab/tree/lessons/{source.stem}.ipynb")
    browser.wait_for(f"window.jupyterapp && {CURRENT} && {CURRENT}.context.isReady")
    browser.wait_for(f"{CURRENT}.sessionContext.session?.kernel?.status === 'idle'")
    browser.evaluate(f"jupyterapp.shell.activateById({CURRENT}.id)")
    codes = browser.evaluate(f"{CODE}.map(one => one.model.sharedModel.source)")
    first = next(place for place, code in enumerate(codes) if "answer = ..." in code)
    for position in range(first + 1):
        run_from(browser, position)
    assert "Your turn." in words_of(browser, first)
    name = next(lesson.exercises[0] for lesson in lesson_outlines() if lesson.number == number)
    right = browser_answer(number, name)
    browser.evaluate(f"{shared(first)}.source = {shared(first)}.source.replace('...', {right!r}); true")
    run_from(browser, first)
    said = words_of(browser, first)
    assert "Noted." in said or "Right." in said
    browser.evaluate(f"{CODE}[{first}].node.scrollIntoView({{block: 'center'}}); true")
    keep_picture(browser, f"lesson_{number}_answered", tmp_path)
    if number in SLIDERS:
        place = next(position for position, code in enumerate(codes) if "_slider()" in code)
        run_from(browser, place)
        handle = "document.querySelector('.jp-OutputArea .noUi-handle')"
        browser.wait_for(f"{handle} !== null")
        sentence = "document.querySelector('.widget-html p')?.textContent"
        browser.wait_for(f"{sentence}")
        before = browser.evaluate(sentence)
        browser.evaluate(f"{handle}.focus(); true")
        for kind in ("keyDown", "keyUp"):
            browser.send("Input.dispatchKeyEvent", type=kind, key="ArrowRight", code="ArrowRight",
                         windowsVirtualKeyCode=39)  # fmt: skip
        browser.wait_for(f"{sentence} !== {before!r}")
        browser.evaluate(f"{handle}.scrollIntoView({{block: 'start'}}); true")
        keep_picture(browser, f"lesson_{number}_slider", tmp_path)
    # saved, or the browser asks whether to leave the page, and the next test waits for ever
    browser.evaluate("jupyterapp.commands.execute('docmanager:save').then(() => true)")
    browser.wait_for(f"!{CURRENT}.context.model.dirty")


def browser_answer(number, name):
    from analysis.lessons import start_lesson

    exercise = start_lesson(number).exercises[name]
    return repr(exercise.right) if hasattr(exercise, "right") else repr(float(exercise.truth))
