"""Each lesson opened in JupyterLab in a real browser: answered in four ways, restarted, an option chosen, a slider moved."""

import base64
import os
import re
import time

import pytest

from analysis.cohort import write_cohort
from analysis.lessons import copy_lessons, lesson_sources, start_lesson
from analysis.lessons.capstone.folder import write_capstone, write_own_data
from analysis.lessons.source import read_cells
from synthetic_cohort import generate_cohort

pytestmark = pytest.mark.slow

CURRENT = "[...jupyterapp.shell.widgets('main')].find(one => one.context && one.context.path.endsWith('ipynb'))"
CODE = f"{CURRENT}.content.widgets.filter(one => one.model.type === 'code')"
PATIENCE = 240
SLIDERS = {
    2: "partial_pooling_slider",
    4: "interval_slider",
    5: "threshold_slider",
    6: "mechanism_slider",
    7: "following_slider",
    8: "quarter_size_slider",
}
ASKED = re.compile(r'lesson\.(?:check|guess)\("(\w+)"')
#: What is said to answers of each kind, in the order in which they are given.
SAID = {
    "absurd": ("This cannot be.",),
    "wrong": ("Not yet.",),
    "near": ("Close.", "Not yet."),
    "right": ("Right.",),
}


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


def opened(browser, laboratory, name):
    """Open a notebook of the folder of lessons and wait for its kernel; give the sources of its cells of code."""
    browser.size(1280, 900)
    browser.open(f"{laboratory}lab/tree/lessons/{name}.ipynb")
    browser.wait_for(f"window.jupyterapp && {CURRENT} && {CURRENT}.context.isReady")
    browser.wait_for(f"{CURRENT}.sessionContext.session?.kernel?.status === 'idle'")
    browser.evaluate(f"jupyterapp.shell.activateById({CURRENT}.id)")
    return browser.evaluate(f"{CODE}.map(one => one.model.sharedModel.source)")


def answer_in_cell(browser, position, answer):
    """Write an answer in place of what stands there, run the cell, and give what is said."""
    source = f"{shared(position)}.source"
    browser.evaluate(f"{source} = {source}.replace(/^answer = .*$/m, 'answer = ' + {answer!r}); true")
    run_from(browser, position)
    return words_of(browser, position)


def saved(browser):
    """Save, or the browser asks whether to leave the page, and the next test waits for ever."""
    browser.evaluate("jupyterapp.commands.execute('docmanager:save').then(() => true)")
    browser.wait_for(f"!{CURRENT}.context.model.dirty")


@pytest.mark.parametrize("source", lesson_sources(), ids=lambda source: source.stem)
def test_a_lesson_is_opened_answered_restarted_and_looked_at(browser, laboratory, tmp_path, source):
    number = int(source.name[0])
    copy_lessons(tmp_path / "work" / "lessons")
    codes = opened(browser, laboratory, source.stem)
    first = next(place for place, code in enumerate(codes) if "answer = ..." in code)
    run_from(browser, 0)
    for position in range(1, first + 1):
        if "look_back" not in codes[position]:
            run_from(browser, position)
    assert "Your turn." in words_of(browser, first)
    area = f"{CODE}[{first}].outputArea.node"
    assert (
        browser.evaluate(
            f"[...{area}.querySelectorAll('.jp-OutputArea-child')].filter(one => one.offsetHeight > 0).length"
        )
        == 1
    )
    browser.evaluate(f"{CODE}[{first}].node.scrollIntoView({{block: 'center'}}); true")
    keep_picture(browser, f"lesson_{number}_your_turn", tmp_path)
    name = ASKED.search(codes[first])[1]
    guess = "lesson.guess" in codes[first]
    answers = answers_to(number, name)
    for kind, words in SAID.items():
        said = answer_in_cell(browser, first, answers[kind])
        assert any(one in said for one in (("Noted.", "This cannot be.") if guess else words)), (kind, said)
    assert ("Noted." if guess else "Right.") in said
    browser.evaluate(f"{CODE}[{first}].node.scrollIntoView({{block: 'center'}}); true")
    keep_picture(browser, f"lesson_{number}_answered", tmp_path)
    # the kernel is restarted in the middle: the first cell takes the lesson up again
    browser.evaluate(f"{CURRENT}.sessionContext.session.kernel.restart().then(() => true)")
    browser.wait_for(f"{CURRENT}.sessionContext.session?.kernel?.status === 'idle'")
    run_from(browser, 0)
    assert "Welcome back: 1 of" in words_of(browser, 0)
    choice = next(position for position, code in enumerate(codes) if "lesson.choose" in code)
    run_from(browser, choice)
    inputs = f"[...{CODE}[{choice}].outputArea.node.querySelectorAll('input[type=radio]')]"
    browser.wait_for(f"{inputs}.length > 2 && {inputs}[0].hasAttribute('data-lm-suppress-shortcuts')")
    browser.evaluate(f"{inputs}[0].focus(); {inputs}[0].click(); true")
    time.sleep(1)  # widgets hold a second change back until the kernel has taken the first
    for kind in ("keyDown", "keyUp"):  # by keys: the next option, and the cell stays where it is
        browser.send("Input.dispatchKeyEvent", type=kind, key="ArrowDown", code="ArrowDown", windowsVirtualKeyCode=40)
    browser.wait_for(f"{inputs}[1].checked")
    time.sleep(1)
    browser.evaluate(f"{CODE}[{choice}].outputArea.node.querySelector('.jupyter-button').click(); true")
    told = f"{CODE}[{choice}].outputArea.node.querySelector('[role=status]')?.textContent"
    browser.wait_for(f"{told}?.includes('ou gave b.') || {told}?.includes('our guess is b.')")
    browser.evaluate(f"{CODE}[{choice}].node.scrollIntoView({{block: 'center'}}); true")
    keep_picture(browser, f"lesson_{number}_chosen", tmp_path)
    if number in SLIDERS:
        place = next(position for position, code in enumerate(codes) if "_slider()" in code)
        run_from(browser, place)
        handle = f"{CODE}[{place}].outputArea.node.querySelector('.noUi-handle')"
        browser.wait_for(f"{handle} !== null")
        area = f"{CODE}[{place}].outputArea.node"
        sentence = f"{area}.querySelector('.widget-html p')?.textContent"
        browser.wait_for(f"{sentence}")
        browser.wait_for(f"{handle}.getAttribute('aria-valuetext') === {start_of(number)!r}")
        assert browser.evaluate(f"{area}.querySelector('.widget-html img').alt") == browser.evaluate(sentence)
        before = browser.evaluate(sentence)
        browser.evaluate(f"{handle}.focus(); window.moved = performance.now(); true")
        for kind in ("keyDown", "keyUp"):
            browser.send("Input.dispatchKeyEvent", type=kind, key="ArrowRight", code="ArrowRight",
                         windowsVirtualKeyCode=39)  # fmt: skip
        browser.wait_for(f"{sentence} !== {before!r}")
        browser.evaluate(f"{handle}.scrollIntoView({{block: 'start'}}); true")
        keep_picture(browser, f"lesson_{number}_slider", tmp_path)
    saved(browser)


def answers_to(number, name):
    """Give answers to a number exercise: absurd, wrong, near and right, as they are written in the cell."""
    exercise = started(number).exercises[name]
    truth, room = exercise.truth, exercise.tolerance
    near = next((one for one in (truth + 2 * room, truth - 2 * room, truth + 3 * room, truth - 3 * room)
                 if exercise.judge(one).verdict == "near"), truth + 2 * room)  # fmt: skip
    return {"absurd": "'a lot'", "wrong": repr(exercise.highest), "near": repr(near), "right": repr(truth)}


def started(number):
    (start,) = (
        cell.text
        for cell in read_cells(lesson_sources()[number - 1].read_text(encoding="utf-8"))
        if "start" in cell.tags
    )
    return start_lesson(number, seed=int(re.search(r"^seed = (\d+)", start, re.MULTILINE)[1]))


def start_of(number):
    slider = getattr(started(number), SLIDERS[number])()
    return f"{slider.values[slider.start]} {slider.unit}".strip()


@pytest.mark.parametrize("name", ["capstone", "capstone_own_data"])
def test_a_capstone_is_begun_restarted_and_goes_on(browser, laboratory, tmp_path, name):
    folder = tmp_path / "work" / "lessons"
    if name == "capstone":
        write_capstone(folder, 2)
    else:
        write_own_data(folder)
        write_cohort(generate_cohort("knee replacement", patients=60, seed=1).observed, folder / "cohort")
    codes = opened(browser, laboratory, name)
    begin = next(place for place, code in enumerate(codes) if "start_report" in code and "my_report =" in code)
    asked = next(place for place, code in enumerate(codes) if code.startswith("problems = ..."))
    last = next(place for place, code in enumerate(codes) if "my_report.finish()" in code)
    for position in [*range(begin + 1), asked]:
        run_from(browser, position)
    assert "Your turn." in words_of(browser, asked)
    browser.evaluate(f"{CODE}[{asked}].node.scrollIntoView({{block: 'center'}}); true")
    keep_picture(browser, f"{name}_your_turn", tmp_path)
    source = f"{shared(asked)}.source"
    browser.evaluate(f"{source} = {source}.replace(/^problems = .*$/m, 'problems = []'); true")
    run_from(browser, asked)
    assert "Your turn." not in words_of(browser, asked)
    browser.evaluate(f"{CURRENT}.sessionContext.session.kernel.restart().then(() => true)")
    browser.wait_for(f"{CURRENT}.sessionContext.session?.kernel?.status === 'idle'")
    for position in [*range(begin + 1), last]:
        run_from(browser, position)
    told = words_of(browser, last)  # the claim made before the restart is kept: the next one is asked for
    assert "Your turn." in told
    assert "Which problems have the data" not in told
    browser.evaluate(f"{CODE}[{last}].node.scrollIntoView({{block: 'center'}}); true")
    keep_picture(browser, f"{name}_goes_on", tmp_path)
    saved(browser)
