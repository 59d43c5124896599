"""The handover sheet as a person opens it: in a browser, in both colour schemes, and printed."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from drivecare.documents import Value
from drivecare.job.sheet import render_sheet
from tests.job.browser import axe_script, open_browser, pages_in, printed, requests_of
from tests.job.rich_case import HOSTILE, full, hostile, opened, refitted, unfinished, usual

pytestmark = [pytest.mark.slow, pytest.mark.timeout(300)]

SHEETS: dict[str, Callable[[], list[Value]]] = {
    "usual": usual,
    "refitted": refitted,
    "unfinished": unfinished,
    "full": full,
    "hostile": hostile,
}


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Every sheet as a file."""
    folder = tmp_path_factory.mktemp("sheets")
    found = {}
    for name, documents in SHEETS.items():
        bad = name == "hostile"
        _, state = opened(folder / name, documents(), complaint=HOSTILE * 30 if bad else None)
        found[name] = folder / f"{name}.html"
        found[name].write_text(render_sheet(state, shop=HOSTILE * 20 if bad else "Lantern Street Repairs"), "utf-8")
    return found


@pytest.fixture(scope="module", params=["light", "dark"])
def browser(request: pytest.FixtureRequest) -> Iterator[Any]:
    with open_browser(request.param) as opened_one:
        opened_one.get("about:blank")
        opened_one.scheme = request.param
        yield opened_one


def visit(browser: Any, page: Path) -> None:
    """Open a page with what came before forgotten."""
    browser.get_log("performance")
    browser.get_log("browser")
    browser.get(page.as_uri())


@pytest.mark.promise(8)
@pytest.mark.parametrize("name", SHEETS)
def test_it_is_quiet_and_asks_for_nothing(browser: Any, pages: dict[str, Path], name: str) -> None:
    visit(browser, pages[name])
    asked = [url for url in requests_of(browser) if not url.startswith("data:")]
    assert asked == [pages[name].as_uri()]
    assert [entry["message"] for entry in browser.get_log("browser")] == []
    assert browser.title == "Job 1042: handover sheet"
    assert browser.execute_script("return document.scripts.length + document.images.length") == 0


@pytest.mark.parametrize("name", SHEETS)
def test_nothing_sticks_out_sideways_on_a_telephone(browser: Any, pages: dict[str, Path], name: str) -> None:
    visit(browser, pages[name])
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride", {"width": 390, "height": 844, "deviceScaleFactor": 1, "mobile": True}
    )
    try:
        wide = browser.execute_script("return document.documentElement.scrollWidth")
    finally:
        browser.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
    assert wide <= 390


def test_both_colour_schemes(browser: Any, pages: dict[str, Path]) -> None:
    visit(browser, pages["usual"])
    color = browser.execute_script("return getComputedStyle(document.body).backgroundColor")
    brightness = sum(int(part) for part in re.findall(r"\d+", color)[:3]) / 3
    assert (brightness > 200) is (browser.scheme == "light")
    dots = browser.execute_script("return getComputedStyle(document.querySelector('.odds circle')).fill")
    alarm = {"light": "rgb(166, 61, 23)", "dark": "rgb(242, 160, 123)"}
    assert dots == alarm[browser.scheme]


@pytest.mark.parametrize("name", SHEETS)
def test_it_prints_on_two_sheets_of_a4(browser: Any, pages: dict[str, Path], name: str) -> None:
    visit(browser, pages[name])
    pdf = printed(browser)
    assert pages_in(pdf) == 2
    boxes = re.findall(rb"/MediaBox\s*\[([^\]]*)\]", pdf)
    assert {tuple(round(float(part)) for part in box.split()) for box in boxes} <= {(0, 0, 595, 842), (0, 0, 596, 842)}


LEAST_PRINT_PX = 9.33  # 7 points, as the browser rounds them


@pytest.mark.parametrize("name", SHEETS)
def test_no_print_is_smaller_than_7_points(browser: Any, pages: dict[str, Path], name: str) -> None:
    visit(browser, pages[name])
    scheme = [{"name": "prefers-color-scheme", "value": browser.scheme}]
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print", "features": scheme})
    sizes = browser.execute_script(
        "return [...document.querySelectorAll('body *:not(svg *)')]"
        ".filter(one => [...one.childNodes].some(node => node.nodeType === 3 && node.data.trim()))"
        ".map(one => [parseFloat(getComputedStyle(one).fontSize), one.outerHTML.slice(0, 80)])"
    )
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "", "features": scheme})
    assert len(sizes) > 50
    assert [one for one in sizes if one[0] < LEAST_PRINT_PX] == []


@pytest.mark.parametrize("name", SHEETS)
def test_axe_finds_no_serious_fault(browser: Any, pages: dict[str, Path], name: str) -> None:
    script = axe_script()
    visit(browser, pages[name])
    browser.execute_script(script)
    found = browser.execute_async_script("const done = arguments[0]; axe.run().then(done)")
    assert len(found["passes"]) > 10
    faults = {
        (fault["id"], node["html"][:100])
        for fault in found["violations"]
        for node in fault["nodes"]
        if fault["impact"] in ("serious", "critical", "moderate")
    }
    assert faults == set()


def test_the_page_count_counts() -> None:
    """The counter itself, on the smallest files it may meet."""
    assert pages_in(b"<</Type /Page\n/Parent 1 0 R>> <</Type /Pages /Count 1>>") == 1
