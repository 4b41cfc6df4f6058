"""Pages in a real browser: no serious finding of axe-core, and nothing wider than the window, at desk and phone width."""

import json

import pytest

pytestmark = pytest.mark.slow

WIDTHS = (1280, 390)
RUN_AXE = "axe.run(document, {resultTypes: ['violations']}).then(found => JSON.stringify(found.violations))"


#: Figures that each page shows at least.
FIGURES = {"protocol_comparison": 8, "one_patient": 2, "cohort_check": 2, "quarter_outcomes": 3, "clinic": 1}


@pytest.fixture(scope="module", params=FIGURES)
def name(request):
    return request.param


@pytest.fixture(params=WIDTHS, scope="module")
def page(request, browser, page_of, name):
    browser.size(request.param)
    browser.open(page_of(name).as_uri())
    return browser


def test_axe_has_no_serious_finding(page, axe):
    page.evaluate("document.querySelectorAll('details').forEach(one => { one.open = true })")
    page.evaluate(f"{axe}; true")
    findings = json.loads(page.evaluate(RUN_AXE))
    serious = [one for one in findings if one["impact"] in ("serious", "critical")]
    assert [(one["id"], one["help"], [node["html"][:120] for node in one["nodes"][:3]]) for one in serious] == []


def test_axe_finds_what_is_wrong(browser, axe, tmp_path):
    bad = tmp_path / "bad.html"
    bad.write_text('<html><body><img src="data:image/png;base64,AA"><p style="color: #aaa">pale</p></body></html>')
    browser.open(bad.as_uri())
    browser.evaluate(f"{axe}; true")
    found = {one["id"] for one in json.loads(browser.evaluate(RUN_AXE)) if one["impact"] in ("serious", "critical")}
    assert {"html-has-lang", "image-alt", "color-contrast"} <= found


def test_the_page_is_no_wider_than_the_window(page):
    width, window = page.evaluate("[document.documentElement.scrollWidth, window.innerWidth]")
    assert width <= window


def test_no_table_is_cut_off_at_a_desk(page):
    if page.evaluate("window.innerWidth") < max(WIDTHS):
        return
    wider = "[...document.querySelectorAll('.scroll')].filter(one => one.scrollWidth > one.clientWidth + 1)"
    assert page.evaluate(f"{wider}.map(one => one.getAttribute('aria-label'))") == []


def test_every_picture_is_drawn(page, name):
    shown = page.evaluate(
        "[...document.images].filter(one => one.offsetParent).map(one => one.complete && one.naturalWidth > 100)"
    )
    assert len(shown) >= FIGURES[name]
    assert all(shown)
