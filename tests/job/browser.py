"""A headless Chromium to open the sheet in, as a person would; and the accessibility checker that runs inside it."""

from __future__ import annotations

import base64
import json
import os
import shutil
import subprocess
import sys
import tempfile
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

CACHE = Path(os.environ.get("XDG_CACHE_HOME", Path.home() / ".cache")) / "drivecare-tests"
# axe-core (MPL-2.0) as this package carries it; only its one script is used.
AXE = "axe-playwright-python==0.1.8"


def unable(reason: str) -> None:
    """Skip with one reason; in CI that is a failure."""
    if os.environ.get("DRIVECARE_REQUIRE_BROWSER"):
        pytest.fail(reason)
    pytest.skip(reason)


@contextmanager
def open_browser(scheme: str = "light") -> Iterator[Any]:
    """A fresh browser with a fresh profile and the network switched off, preferring a colour scheme."""
    chromium, driver = shutil.which("chromium"), shutil.which("chromedriver")
    if not (chromium and driver):
        unable("no chromium or chromedriver: apt-get install chromium chromium-driver")
    from selenium import webdriver

    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:  # it may still be written to
        options = webdriver.ChromeOptions()
        options.binary_location = str(chromium)
        for flag in (
            "--headless=new",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-dev-shm-usage",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            "--no-first-run",
            "--host-resolver-rules=MAP * ~NOTFOUND",
            f"--user-data-dir={profile}",
        ):
            options.add_argument(flag)
        options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
        browser = webdriver.Chrome(options=options, service=webdriver.ChromeService(executable_path=str(driver)))
        try:
            browser.execute_cdp_cmd(
                "Emulation.setEmulatedMedia", {"features": [{"name": "prefers-color-scheme", "value": scheme}]}
            )
            yield browser
        finally:
            browser.quit()


def requests_of(browser: Any) -> list[str]:
    """Every address the page asked for, from the browser's own record."""
    events = [json.loads(entry["message"])["message"] for entry in browser.get_log("performance")]
    return [one["params"]["request"]["url"] for one in events if one["method"] == "Network.requestWillBeSent"]


def printed(browser: Any) -> bytes:
    """The page as a PDF on A4, by its own style."""
    answer = browser.execute_cdp_cmd("Page.printToPDF", {"preferCSSPageSize": True, "printBackground": True})
    return base64.b64decode(answer["data"])


def pages_in(pdf: bytes) -> int:
    """How many pages a PDF has, by its page objects (ISO 32000-1, 7.7.3.3)."""
    return pdf.count(b"/Type /Page\n") + pdf.count(b"/Type /Page ") + pdf.count(b"/Type /Page/")


def axe_script() -> str:
    """The accessibility checker, fetched through pip into a cache once; offline the test skips."""
    script = CACHE / f"{AXE}.js"
    if not script.is_file():
        with tempfile.TemporaryDirectory() as folder:
            command = [sys.executable, "-m", "pip", "download", "-q", "--no-deps", "-d", folder, AXE]
            if subprocess.run(command, capture_output=True).returncode:
                unable(f"pip cannot fetch {AXE} for the accessibility check")
            (wheel,) = Path(folder).glob("*.whl")
            with zipfile.ZipFile(wheel) as archive:
                name = next(name for name in archive.namelist() if name.endswith("axe.min.js"))
                CACHE.mkdir(parents=True, exist_ok=True)
                script.write_bytes(archive.read(name))
    return script.read_text("utf-8")
