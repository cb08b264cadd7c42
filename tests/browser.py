"""A headless Chromium for tests, driven by selenium through Chromium's own driver program."""

import json
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--autoplay-policy=no-user-gesture-required",
    "--mute-audio",
)


def _programs() -> tuple[str, str]:
    """Return the paths of browser and driver, or skip the test with the reason."""
    browser = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    driver = shutil.which("chromedriver")
    if not browser or not driver:
        pytest.skip("Chromium and its driver are not installed")
    return browser, driver


@contextmanager
def chromium(profile: Path, *, flags: tuple[str, ...] = ()) -> Iterator["Browser"]:
    """Run a browser with a new profile folder; it and its driver end with the block."""
    webdriver = pytest.importorskip("selenium.webdriver")
    browser, driver = _programs()
    options = webdriver.ChromeOptions()
    options.binary_location = browser
    for flag in (*FLAGS, f"--user-data-dir={profile}", *flags):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    service = webdriver.ChromeService(executable_path=driver)
    opened = webdriver.Chrome(options=options, service=service)
    try:
        opened.set_script_timeout(60)
        yield Browser(opened)
    finally:
        opened.quit()


class Browser:
    """What the tests do with a page."""

    def __init__(self, driver: Any) -> None:
        self.driver = driver

    def before_page(self, script: str) -> None:
        """Run a script in every page before the page's own."""
        self.command("Page.addScriptToEvaluateOnNewDocument", source=script)

    def command(self, name: str, /, **values: object) -> Any:
        """Send a command of the DevTools protocol."""
        return self.driver.execute_cdp_cmd(name, values)

    def screen(self, width: int, height: int, *, phone: bool = False, scale: float = 1.0) -> None:
        """Give the page a screen of this size in CSS pixels."""
        self.command(
            "Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=scale, mobile=phone
        )

    def media(self, **features: str) -> None:
        """Say what the reader prefers, such as ``prefers_color_scheme="dark"``."""
        listed = [{"name": name.replace("_", "-"), "value": value} for name, value in features.items()]
        self.command("Emulation.setEmulatedMedia", features=listed)

    def open(self, page: Path) -> None:
        """Open a file."""
        self.driver.get(page.resolve().as_uri())

    def run(self, script: str, *values: object) -> Any:
        """Run a script in the page; it may be waited for."""
        return self.driver.execute_async_script(
            "const done = arguments[arguments.length - 1];"
            f"(async () => {{ {script} }})().then(done, (e) => done('failed: ' + e));",
            *values,
        )

    def complaints(self) -> list[str]:
        """Return what the console has said since the last call."""
        return [entry["message"] for entry in self.driver.get_log("browser")]

    def requests(self) -> list[str]:
        """Return the addresses asked for since the last call."""
        found = []
        for entry in self.driver.get_log("performance"):
            message = json.loads(entry["message"])["message"]
            if message["method"] == "Network.requestWillBeSent":
                found.append(message["params"]["request"]["url"])
        return found

    def press(self, *keys: str) -> None:
        """Press keys, one after another."""
        from selenium.webdriver.common.action_chains import ActionChains

        for key in keys:
            ActionChains(self.driver).send_keys(key).perform()

    def picture(self, path: Path, *, whole: bool = False) -> None:
        """Write what the screen shows, or the whole page, as PNG."""
        import base64

        found = self.command("Page.captureScreenshot", format="png", captureBeyondViewport=whole)
        path.write_bytes(base64.b64decode(found["data"]))

    def print(self, path: Path) -> None:
        """Write the page as it prints, as PDF."""
        import base64

        path.write_bytes(base64.b64decode(self.command("Page.printToPDF", printBackground=True)["data"]))
