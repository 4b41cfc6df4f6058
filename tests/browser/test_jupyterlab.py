"""JupyterLab in a real browser: a report notebook runs and shows its figures, a cohort is looked at by keyboard."""

import pytest

pytestmark = pytest.mark.slow

NOTEBOOK = "reports/protocol_comparison.ipynb"
CURRENT = "[...jupyterapp.shell.widgets('main')].find(one => one.context)"
CELLS = f"[...{CURRENT}.content.model.sharedModel.cells].filter(one => one.cell_type === 'code')"
OUTPUTS = f"{CELLS}.flatMap(one => one.toJSON().outputs)"
PATIENCE_FOR_CELLS = 420
PICTURE = "document.querySelector('.jp-OutputArea-output figure img')"
SAID = "document.querySelector('.jp-OutputArea-output [role=status]').textContent"


def test_a_report_notebook_opens_runs_and_shows_its_figures(browser, laboratory):
    browser.size(1280, 900)
    browser.open(f"{laboratory}lab/tree/{NOTEBOOK}")
    browser.wait_for(f"window.jupyterapp && {CURRENT} && {CURRENT}.context.isReady")
    browser.wait_for(f"{CURRENT}.sessionContext.session?.kernel?.status === 'idle'")
    assert browser.evaluate(f"{OUTPUTS}.length") == 0
    browser.evaluate(f"jupyterapp.shell.activateById({CURRENT}.id)")
    browser.wait_for(f"jupyterapp.shell.currentWidget === {CURRENT}")
    browser.evaluate("jupyterapp.commands.execute('notebook:run-all-cells'); true")
    browser.wait_for(f"{CELLS}.every(one => one.execution_count !== null)", patience=PATIENCE_FOR_CELLS)
    kinds = browser.evaluate(f"{OUTPUTS}.map(one => one.output_type)")
    assert "error" not in kinds
    figures = browser.evaluate(f"{OUTPUTS}.filter(one => one.data && one.data['image/png']).length")
    assert figures >= 8
    browser.evaluate(
        f"{CURRENT}.content.scrollToItem({CURRENT}.content.widgets.findIndex(one => one.model.id === 'recovery'))"
    )
    shown = "[...document.querySelectorAll('.jp-OutputArea-output img')].filter(one => one.offsetParent)"
    browser.wait_for(f"{shown}.some(one => one.complete && one.naturalWidth > 300 && one.alt.length > 20)")


def press(browser, key, code):
    """Press a key; a letter is text too, by which a list goes to what begins with it."""
    text = {"text": key} if len(key) == 1 else {"text": "\r"} if key == "Enter" else {}
    browser.send("Input.dispatchKeyEvent", type="keyDown", key=key, windowsVirtualKeyCode=code, **text)
    browser.send("Input.dispatchKeyEvent", type="keyUp", key=key, windowsVirtualKeyCode=code)


def test_a_cohort_is_looked_at_by_keyboard(browser, laboratory, axe):
    browser.size(1400, 1000)
    browser.open(f"{laboratory}lab/tree/explore.ipynb")
    browser.wait_for(f"window.jupyterapp && {CURRENT} && {CURRENT}.context.isReady")
    browser.wait_for(f"{CURRENT}.sessionContext.session?.kernel?.status === 'idle'")
    browser.evaluate(f"jupyterapp.shell.activateById({CURRENT}.id)")
    browser.wait_for(f"jupyterapp.shell.currentWidget === {CURRENT}")
    browser.evaluate("jupyterapp.commands.execute('notebook:run-all-cells'); true")
    browser.wait_for(f"{CELLS}.every(one => one.execution_count !== null)", patience=PATIENCE_FOR_CELLS)
    browser.wait_for(f"{PICTURE} && {PICTURE}.complete && {PICTURE}.naturalWidth > 300")
    assert "single patients" in browser.evaluate(f"{PICTURE}.alt")
    assert "recommends nothing for a patient" in browser.evaluate(SAID)

    selects = "[...document.querySelectorAll('.jp-OutputArea-output select')]"
    labels = browser.evaluate(f"{selects}.map(one => document.querySelector(`label[for='${{one.id}}']`)?.textContent)")
    assert labels[:4] == ["Picture", "Measure", "Limb", "Week"]
    before = browser.evaluate(f"{PICTURE}.alt")
    browser.wait_for(f"{selects}[0].hasAttribute('data-lm-suppress-shortcuts')")
    browser.evaluate(f"{selects}[0].focus()")
    press(browser, "ArrowDown", 40)
    browser.wait_for(f"{PICTURE} && {PICTURE}.alt !== {before!r} && {SAID}.includes('Differences from')")
    press(browser, "Tab", 9)
    assert browser.evaluate(f"document.activeElement === {selects}[1]")
    press(browser, "p", 80)
    browser.wait_for(f"{SAID}.includes('3 pictures were looked at so far')")

    button = (
        "[...document.querySelectorAll('.jp-OutputArea-output button')].find(one => one.textContent.includes('code'))"
    )
    browser.evaluate(f"{button}.focus()")
    press(browser, "Enter", 13)
    cell = "document.querySelector('.jp-OutputArea-output textarea')"
    browser.wait_for(f"{cell} && {cell}.offsetParent && {cell}.value.includes('difference_figure(curves)')")

    browser.evaluate(f"{axe}; true")
    found = browser.evaluate(
        "axe.run('.jp-OutputArea-output', {runOnly: ['wcag2a', 'wcag2aa']})"
        ".then(said => said.violations.filter(one => one.id !== 'color-contrast').map(one => one.id))"
    )
    assert found == []

    # saved, or the browser asks whether to leave the page, and the next test waits for ever
    browser.evaluate("jupyterapp.commands.execute('docmanager:save').then(() => true)")
    browser.wait_for(f"!{CURRENT}.context.model.dirty")
