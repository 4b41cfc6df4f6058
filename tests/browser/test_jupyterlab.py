"""JupyterLab in a real browser opens a report notebook, runs it, and shows its figures."""

import pytest

pytestmark = pytest.mark.slow

NOTEBOOK = "reports/protocol_comparison.ipynb"
CURRENT = "[...jupyterapp.shell.widgets('main')].find(one => one.context)"
CELLS = f"[...{CURRENT}.content.model.sharedModel.cells].filter(one => one.cell_type === 'code')"
OUTPUTS = f"{CELLS}.flatMap(one => one.toJSON().outputs)"
PATIENCE_FOR_CELLS = 420


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
