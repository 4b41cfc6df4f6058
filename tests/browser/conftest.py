"""A headless Chromium spoken to over its debugging socket; tests that need it are skipped where there is none."""

import itertools
import json
import os
import shutil
import signal
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

import pytest
import websocket

from analysis.cohort import write_cohort
from analysis.report import copy_notebooks, make_report
from synthetic_cohort import generate_cohort

HERE = Path(__file__).resolve().parent
AXE = HERE / "node_modules" / "axe-core" / "axe.min.js"
NAMES = ("chromium", "chromium-browser", "google-chrome", "chrome")
PATIENCE = 60
#: Cohorts of the pages other than the protocol comparison, and what the reports are told.
COHORTS = {
    "one_patient": {"patients": 90},
    "cohort_check": {"patients": 90},
    "quarter_outcomes": {"patients": 800, "quarters": 8},
    "clinic": {"patients": 800, "quarters": 8},
}
PARAMETERS = {"one_patient": {"patient": "p0003"}, "clinic": {"site": "site A"}}


class Browser:
    """One page of a browser."""

    def __init__(self, address):
        self._socket = websocket.create_connection(address, timeout=PATIENCE, suppress_origin=True)
        self._numbers = itertools.count(1)

    def send(self, method, **parameters):
        number = next(self._numbers)
        self._socket.send(json.dumps({"id": number, "method": method, "params": parameters}))
        while True:
            message = json.loads(self._socket.recv())
            if message.get("id") == number:
                assert "error" not in message, message
                return message["result"]

    def evaluate(self, expression):
        """Give the value of an expression; of a promise, what it comes to."""
        said = self.send("Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in said, said["exceptionDetails"]
        return said["result"].get("value")

    def open(self, address):
        self.send("Page.enable")
        self.send("Emulation.setFocusEmulationEnabled", enabled=True)
        self.send("Page.navigate", url=address)
        self.wait_for("document.readyState === 'complete'")

    def wait_for(self, expression, patience=PATIENCE):
        """Wait until an expression is true."""
        end = time.monotonic() + patience
        while not self.evaluate(f"Boolean({expression})"):
            assert time.monotonic() < end, f"never came true: {expression}"
            time.sleep(0.2)

    def size(self, width, height=900):
        self.send(
            "Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=width < 600
        )

    def close(self):
        self._socket.close()


def start(name, folder):
    """Start a browser and give it with the address of its page."""
    process = subprocess.Popen(
        [
            name, "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--no-first-run",
            "--disable-background-networking", "--remote-debugging-port=0", f"--user-data-dir={folder}", "about:blank",
        ],
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True,
    )  # fmt: skip
    try:
        told = folder / "DevToolsActivePort"
        end = time.monotonic() + PATIENCE
        while not (told.is_file() and told.read_text().strip()):
            if process.poll() is not None or time.monotonic() > end:
                pytest.skip(f"{name} does not start here")
            time.sleep(0.1)
        port = told.read_text().split()[0]
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/json/list", timeout=PATIENCE) as answer:
            pages = [one for one in json.load(answer) if one["type"] == "page"]
    except BaseException:
        stop(process)
        raise
    return process, pages[0]["webSocketDebuggerUrl"]


def stop(process):
    """End a process that a test started, with the processes that it started."""
    for how in (signal.SIGTERM, signal.SIGKILL):
        if process.poll() is None:
            os.killpg(process.pid, how)
            try:
                process.wait(timeout=10)
            except subprocess.TimeoutExpired:
                continue


@pytest.fixture(scope="session")
def browser(tmp_path_factory):
    """Give a browser, or skip the test."""
    name = next((one for one in NAMES if shutil.which(one)), None)
    if name is None:
        pytest.skip("no Chromium on this machine (Debian: apt-get install chromium)")
    process, address = start(name, tmp_path_factory.mktemp("browser"))
    page = Browser(address)
    yield page
    page.close()
    stop(process)


@pytest.fixture(scope="session")
def axe():
    """Give the source of axe-core, or skip the test."""
    if not AXE.is_file():
        pytest.skip("axe-core is not installed (npm install --prefix tests/browser --no-package-lock)")
    return AXE.read_text(encoding="utf-8")


@pytest.fixture(scope="session")
def report(tmp_path_factory):
    """Make the protocol comparison of an invented cohort in all four forms."""
    root = tmp_path_factory.mktemp("report")
    folder = write_cohort(generate_cohort(patients=90, seed=3).observed, root / "cohort")
    return make_report("protocol_comparison", folder, root / "report", formats=("html", "pdf", "docx", "pptx"))


@pytest.fixture(scope="session")
def page_of(report, tmp_path_factory):
    """Give a function that makes the page of each report once."""
    made = {"protocol_comparison": report.html}

    def page(name):
        if name not in made:
            root = tmp_path_factory.mktemp(name)
            cohort = generate_cohort(**COHORTS[name], seed=3).observed
            files = make_report(
                name, write_cohort(cohort, root / "cohort"), root / "report", parameters=PARAMETERS.get(name)
            )
            made[name] = files.html
        return made[name]

    return page


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
