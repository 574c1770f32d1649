"""A real headless Chromium for the board's tests (Debian's chromium, chromium-driver, python3-selenium), and axe-core.

axe-core comes from the npm registry by its ordinary client, pinned by version and by the hash of the tarball. Where it cannot be
had, the test fails and says so: a page that was not checked is not a page without faults."""

import base64
import hashlib
import io
import json
import pathlib
import shutil
import subprocess
import tarfile
import tempfile

from selenium import webdriver
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.by import By

AXE = "axe-core@4.14.1"
AXE_FILE = "axe-core-4.14.1.tgz"
AXE_SHA512 = "FHfa+lmNjQZfJz1q8wKqIDwC6DExcHt/pkjNQb09a3NPjCKg2rhu5qb2S4r76ASyFNNtuFooJpZe37OgudVGtQ=="  # as the registry's dist.integrity
WIDE, PHONE = (1280, 900), (360, 740)


def axe_source(folder):
    """The script, kept as the tarball in `folder`."""
    file = pathlib.Path(folder) / AXE_FILE
    if not file.exists():
        if not shutil.which("npm"):
            raise AssertionError("axe-core cannot be fetched: npm is not installed (see config/packages.sh)")
        file.parent.mkdir(parents=True, exist_ok=True)
        # Whole before it has its name; another test may fetch the same at this moment.
        with tempfile.TemporaryDirectory(dir=file.parent) as unfinished:
            done = subprocess.run(["npm", "pack", AXE, "--silent", "--pack-destination", unfinished], capture_output=True, text=True, timeout=60)
            fetched = pathlib.Path(unfinished) / file.name
            if done.returncode != 0 or not fetched.exists():
                raise AssertionError(f"{AXE} cannot be fetched from the npm registry, so the page's accessibility is not checked: {done.stderr.strip()[-400:]}")
            fetched.rename(file)
    octets = file.read_bytes()
    if base64.b64encode(hashlib.sha512(octets).digest()).decode() != AXE_SHA512:
        file.unlink()
        raise AssertionError(f"{AXE_FILE} has another hash than the one it is pinned to")
    with tarfile.open(fileobj=io.BytesIO(octets)) as tar:
        return tar.extractfile("package/axe.min.js").read().decode()


class Browser:
    """One Chromium with one page. `size` (width, height) in CSS pixels."""

    def __init__(self):
        self.folder = tempfile.TemporaryDirectory(prefix="tallywire-chromium-")
        options = webdriver.ChromeOptions()
        options.binary_location = "/usr/bin/chromium"
        for argument in ("--headless=new", "--no-sandbox", "--disable-dev-shm-usage", "--disable-gpu", "--no-first-run", "--disable-background-networking",
                         "--disable-component-update", "--disable-sync", "--disable-extensions", f"--user-data-dir={self.folder.name}", "--lang=en-GB"):
            options.add_argument(argument)
        options.set_capability("goog:loggingPrefs", {"performance": "ALL", "browser": "ALL"})
        self.driver = webdriver.Chrome(service=Service("/usr/bin/chromedriver"), options=options)
        self.driver.set_script_timeout(60)
        self.asked = []

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.driver.quit()
        self.folder.cleanup()

    def look(self, size=WIDE, scheme="light"):
        width, height = size
        self.driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False})
        self.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [{"name": "prefers-color-scheme", "value": scheme}]})

    def open(self, address):
        self.driver.get(address)

    def run(self, script, *arguments):
        return self.driver.execute_script(script, *arguments)

    def find(self, selector):
        found = self.driver.find_elements(By.CSS_SELECTOR, selector)
        return found[0] if found else None

    def text(self, selector):
        """What a person reads there; '' when it is not there."""
        return self.run("return document.querySelector(arguments[0])?.innerText ?? ''", selector)

    def focused(self):
        """The words by which the focused element is told, and whether an outline shows it."""
        return self.run("""const e = document.activeElement, s = getComputedStyle(e);
            return [(e.getAttribute('aria-label') ?? e.innerText ?? e.value ?? '').trim().split('\\n')[0] || e.id,
                    s.outlineStyle !== 'none' || e.matches('a.unit') && getComputedStyle(e.querySelector('.touch')).stroke !== 'none']""")

    def press(self, key):
        code = {"Tab": 9, "Enter": 13, "ArrowRight": 39, "ArrowLeft": 37, "Home": 36}[key]
        event = {"key": key, "code": key, "windowsVirtualKeyCode": code} | ({"text": "\r"} if key == "Enter" else {})
        self.driver.execute_cdp_cmd("Input.dispatchKeyEvent", {"type": "keyDown"} | event)
        self.driver.execute_cdp_cmd("Input.dispatchKeyEvent", {"type": "keyUp"} | event)

    def requests(self):
        """Every address that the page and its worker asked for so far."""
        for entry in self.driver.get_log("performance"):
            message = json.loads(entry["message"])["message"]
            if message["method"] in ("Network.requestWillBeSent", "Network.webSocketCreated"):
                parameters = message["params"]
                self.asked.append(parameters["request"]["url"] if "request" in parameters else parameters["url"])
        return self.asked

    def complaints(self):
        """Errors that the page wrote to its console."""
        return [entry["message"] for entry in self.driver.get_log("browser") if entry["level"] == "SEVERE"]

    def violations(self, axe, rules=None):
        """What axe finds against WCAG 2.2 A and AA and its best practices: [(rule, where, why)]."""
        if not self.run("return 'axe' in window"):
            self.run(axe)
        found = self.driver.execute_async_script("""const [rules, done] = arguments;
            const only = rules ? { runOnly: { type: 'rule', values: rules } } : {};
            axe.run(document, { ...only, resultTypes: ['violations'], iframes: false }).then((r) => done(r.violations), (e) => done(String(e)))""", rules)
        assert isinstance(found, list), found
        return [(v["id"], node["target"], node["failureSummary"]) for v in found for node in v["nodes"]]

    def script_seconds(self):
        """CPU time of the page's thread in scripts so far, and in all: other work on the machine is not in it."""
        got = self.driver.execute_cdp_cmd("Performance.getMetrics", {})["metrics"]
        metrics = {one["name"]: one["value"] for one in got}
        return metrics["ScriptDuration"], metrics["TaskDuration"]

    def count_cpu(self):
        self.driver.execute_cdp_cmd("Performance.enable", {"timeDomain": "threadTicks"})
