"""One headless Chromium for all page tests, and axe-core by npm; what is missing skips with its reason."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path

import pytest

HERE = Path(__file__).parent
AXE = HERE / "node_modules" / "axe-core" / "axe.min.js"
FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-sync",
    "--disable-background-networking", "--disable-component-update", "--disable-dev-shm-usage",
    "--hide-scrollbars", "--force-color-profile=srgb",
)  # fmt: skip


@pytest.fixture(scope="session")
def chromium(tmp_path_factory):
    """A driver of Debian's Chromium."""
    selenium = pytest.importorskip("selenium.webdriver", reason="needs the development dependency selenium")
    browser, driver = shutil.which("chromium"), shutil.which("chromedriver")
    if not browser or not driver:
        pytest.skip("needs Debian's packages chromium and chromium-driver")
    options = selenium.ChromeOptions()
    options.binary_location = browser
    for flag in (*FLAGS, f"--user-data-dir={tmp_path_factory.mktemp('chromium')}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    service = selenium.ChromeService(driver)
    started = selenium.Chrome(options=options, service=service)
    started.set_page_load_timeout(60)
    yield started
    started.quit()


@pytest.fixture(scope="session")
def axe() -> str:
    """The source of axe-core, installed once by npm where it is missing."""
    if not AXE.is_file():
        npm = shutil.which("npm")
        if npm is None:
            pytest.skip("needs npm for the package axe-core")
        done = subprocess.run(
            [npm, "ci", "--no-audit", "--no-fund"], cwd=HERE, capture_output=True, check=False, timeout=180
        )
        if done.returncode or not AXE.is_file():
            pytest.skip("npm could not install axe-core here")
    return AXE.read_text("utf-8")


@pytest.fixture
def show(chromium, tmp_path):
    """Open a page in a window of a given width, in CSS pixels."""

    def opened(page: str, width: int = 1100, height: int = 900):
        file = tmp_path / "page.html"
        file.write_text(page, "utf-8", errors="surrogatepass")
        chromium.execute_cdp_cmd(
            "Emulation.setDeviceMetricsOverride",
            {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False},
        )
        chromium.get(file.as_uri())
        return chromium

    return opened


@pytest.fixture
def violations(axe):
    """What axe-core finds against WCAG 2.2 AA and its best practices, as lines to read."""

    def found(driver) -> list[str]:
        driver.execute_script(axe)
        tags = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
        result = driver.execute_async_script(
            "const done = arguments[arguments.length - 1];"
            f"axe.run(document, {{runOnly: {json.dumps(tags)}, resultTypes: ['violations']}}).then(done);"
        )
        return [
            f"{rule['id']}: {node['target'][0]} — {node['failureSummary']}"
            for rule in result["violations"]
            for node in rule["nodes"][:3]
        ]

    return found
