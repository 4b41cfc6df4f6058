"""JupyterLab in a real browser opens a report notebook, runs it, and shows its figures."""

import json
import os
import subprocess
import sys
import time

import pytest

from analysis.report import copy_notebooks

pytestmark = pytest.mark.slow

NOTEBOOK = "reports/protocol_comparison.ipynb"
CURRENT = "[...jupyterapp.shell.widgets('main')].find(one => one.context)"
CELLS = f"[...{CURRENT}.content.model.sharedModel.cells].filter(one => one.cell_type === 'code')"
OUTPUTS = f"{CELLS}.flatMap(one => one.toJSON().outputs)"
PATIENCE_FOR_CELLS = 420


@pytest.fixture
def laboratory(browser, tmp_path):
    """Start JupyterLab on a working copy of the notebooks, away from the settings of the user; give its address."""
    copy_notebooks(tmp_path / "work")
    config = tmp_path / "config" / "labconfig"
    config.mkdir(parents=True)
    off = {"disabledExtensions": {"@jupyterlab/apputils-extension:announcements": True}}
    (config / "page_config.json").write_text(json.dumps(off))
    folders = {f"JUPYTER_{name.upper()}_DIR": str(tmp_path / name) for name in ("config", "data", "runtime")}
    log = (tmp_path / "log").open("w")
    server = subprocess.Popen(
        [
            sys.executable, "-m", "jupyterlab", "--no-browser", "--allow-root", "--ServerApp.port=0",
            "--IdentityProvider.token=", "--ServerApp.ip=127.0.0.1", "--LabApp.expose_app_in_browser=True",
            f"--ServerApp.root_dir={tmp_path / 'work'}",
        ],
        env={**os.environ, **folders, "IPYTHONDIR": str(tmp_path / "ipython")}, stdout=log, stderr=log,
    )  # fmt: skip
    try:
        end = time.monotonic() + 60
        while not (told := sorted((tmp_path / "runtime").glob("jpserver-*.json"))):
            assert server.poll() is None, (tmp_path / "log").read_text()
            assert time.monotonic() < end, (tmp_path / "log").read_text()
            time.sleep(0.2)
        yield json.loads(told[0].read_text())["url"]
    finally:
        server.terminate()
        try:
            server.wait(timeout=20)
        except subprocess.TimeoutExpired:
            server.kill()
        log.close()


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
