"""The report in a real browser: opened from disk, sorted, sifted, heard, followed link by link, and judged by axe-core.

Needs Chromium and axe-core (`.ci/run` installs both); without them it is skipped, unless BROWSER_TESTS=required says that it
must not be.
"""

import os
from pathlib import Path

import pytest
from fake_session import finished_session

from browser.chromium import PROGRAM, Browser

AXE = Path(__file__).parent / "node_modules" / "axe-core" / "axe.min.js"
MISSING = [name for name, there in (("Chromium", PROGRAM), ("axe-core (npm ci in tests/browser)", AXE.is_file())) if not there]
# WCAG 2.2, levels A and AA, and axe's own best practices.
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
SIZES = [(390, "light"), (390, "dark"), (1280, "light"), (1280, "dark"), (1920, "light"), (1920, "dark")]


@pytest.fixture(scope="module")
def report(tmp_path_factory):
    if MISSING:
        if os.environ.get("BROWSER_TESTS") == "required":
            pytest.fail(f"missing: {', '.join(MISSING)}")
        pytest.skip(f"not installed: {', '.join(MISSING)}")
    return finished_session(tmp_path_factory) / "results" / "report.html"


@pytest.fixture(scope="module")
def browser(report):
    with Browser() as opened:
        yield opened


@pytest.fixture
def page(browser, report):
    browser.size(1280)
    browser.colours("light")
    browser.open(report.as_uri())
    return browser


def shown(page):
    """The names of the board's rows that are to be seen, in order."""
    return page.evaluate(
        "[...document.querySelectorAll('#board-table tbody tr')].filter(r => !r.hidden).map(r => r.dataset.name)"
    )


def choose(page, control, value):
    page.evaluate(
        f"(() => {{ const c = document.getElementById('sieve-{control}'); c.value = {value!r};"
        " c.dispatchEvent(new Event('input', {bubbles: true})); })()"
    )


def test_it_opens_from_disk_without_error_and_asks_for_nothing(page, report):
    asked = [params["request"]["url"] for method, params in page.events if method == "Network.requestWillBeSent"]
    assert [url for url in asked if not url.startswith("data:")] == [report.as_uri()]
    assert not [params for method, params in page.events if method in ("Runtime.exceptionThrown", "Log.entryAdded")]
    assert page.evaluate("document.title").startswith("harbour <test>: Not ready to mix")
    # An address outside is not reached even if something on the page asked for it.
    blocked = "fetch('http://127.0.0.1:9/').then(() => 'reached', () => 'refused')"
    assert page.evaluate(blocked) == "refused"
    assert any("Content Security Policy" in str(params) for method, params in page.events if method == "Log.entryAdded")


def test_nothing_runs_wider_than_a_phone(page):
    for width in (390, 640, 1280):
        page.size(width)
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), width


def test_the_board_sorts(page):
    names = shown(page)
    press = "[...document.querySelectorAll('#board-table thead th button')].find(b => b.textContent.startsWith({0!r})).click()"
    page.evaluate(press.format("Track"))
    assert shown(page) == sorted(names)
    page.evaluate(press.format("Track"))
    assert shown(page) == sorted(names, reverse=True)
    page.evaluate(press.format("Over hiss"))
    order = "[...document.querySelectorAll('#board-table tbody tr')].map(r => (r.cells[5]?.dataset.value ?? ''))"
    values = page.evaluate(order)
    known = [float(value) for value in values if value]
    assert known == sorted(known)
    assert len(known) == 4
    assert values[4:] == ["", ""], "what was not measured comes last"
    assert page.evaluate("document.querySelectorAll('#board-table th[aria-sort]').length") == 1


def test_the_board_sorts_by_keyboard(page):
    page.evaluate("document.querySelector('#board-table thead th button').focus()")
    page.press("Enter")
    assert page.evaluate("document.querySelector('#board-table thead th').getAttribute('aria-sort')") == "ascending"
    page.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Verdict"


def test_the_board_is_sifted(page):
    everyone = shown(page)
    choose(page, "name", "KEYS")
    assert shown(page) == ["keys.L", "keys.R"]
    assert page.evaluate("document.getElementById('sieve-count').textContent") == f"2 of {len(everyone)} tracks."
    choose(page, "name", "")
    choose(page, "word", "waiting")
    assert shown(page) == ["horn"]
    choose(page, "word", "")
    choose(page, "check", "timing")
    asking = "[...document.querySelectorAll('#board-table tbody tr')].filter(r => r.dataset.checks.includes('|timing|')).length"
    assert len(shown(page)) == page.evaluate(asking)
    choose(page, "check", "")
    assert shown(page) == everyone


def test_an_excerpt_plays_from_the_part_that_is_pressed(page):
    assert page.evaluate("document.querySelectorAll('.listen').length") == 6
    part = "document.querySelector('.listen')"
    page.wait(f"{part}.querySelector('audio').readyState >= 2")
    assert page.evaluate(f"{part}.querySelector('audio').error") is None
    starts = [float(value) for value in page.evaluate(f"{part}.dataset.starts").split()]
    names = page.evaluate(f"[...{part}.querySelectorAll('button')].map(b => b.textContent)")
    assert names == ["Stem", "Two clicks", "Followed", "Restored"]
    assert abs(page.evaluate(f"{part}.querySelector('audio').duration") - (starts[-1] + starts[1] - 0.4)) < 0.15
    page.evaluate(f"{part}.querySelectorAll('button')[2].click()")
    page.wait(f"{part}.querySelector('audio').currentTime > {starts[2] + 0.1}")
    page.wait(f"{part}.querySelectorAll('button')[2].getAttribute('aria-pressed') === 'true'")
    # From one part into another: the same moment of the song.
    page.evaluate(f"{part}.querySelectorAll('button')[1].click()")
    page.wait(f"{part}.querySelectorAll('button')[1].getAttribute('aria-pressed') === 'true'")
    assert starts[1] + 0.1 < page.evaluate(f"{part}.querySelector('audio').currentTime") < starts[2]
    page.evaluate(f"{part}.querySelector('audio').pause()")


def test_every_link_leads_to_what_can_then_be_seen(page):
    followed = page.evaluate(
        """(async () => {
          const lost = [], links = [...document.querySelectorAll('a[href]')];
          for (const link of links) {
            link.click();
            await new Promise(requestAnimationFrame);
            const there = document.getElementById(decodeURIComponent(link.hash.slice(1)));
            const box = there && there.getBoundingClientRect();
            const seen = box && box.height > 0 && box.top < innerHeight && box.bottom > 0;
            if (!seen || (there.tagName === 'DETAILS' && !there.open)) lost.push(link.outerHTML);
          }
          return {count: links.length, lost};
        })()"""
    )
    assert followed["count"] > 80
    assert followed["lost"] == []


@pytest.mark.parametrize(("width", "scheme"), SIZES)
def test_axe_finds_no_violation(page, width, scheme):
    page.size(width)
    page.colours(scheme)
    # Everything unfolded once in each scheme and once on a phone; what is folded away looks no different in the others.
    if (width, scheme) in ((390, "light"), (1280, "dark")):
        page.evaluate("document.querySelectorAll('details').forEach(one => { one.open = true; })")
    page.evaluate(AXE.read_text(encoding="utf-8") + "; 0")
    found = page.evaluate(f"axe.run(document, {{runOnly: {RULES}, resultTypes: ['violations', 'incomplete'], selectors: false}})")
    said = [f"{one['id']}: {one['nodes'][0]['html'][:160]} ({len(one['nodes'])})" for one in found["violations"]]
    assert said == []
    # What axe leaves to people is only what it cannot see through: text over hatching, and rows whose cells are one.
    assert {one["id"] for one in found["incomplete"]} <= {"color-contrast", "th-has-data-cells"}
