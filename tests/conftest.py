"""Settings for all tests: one thread per process, so that results and times do not hang on the machine's load."""

import os
import shutil

import pytest
from hypothesis import settings

os.environ.setdefault("OMP_NUM_THREADS", "1")

# No clock in tests: a busy machine is no fault of the code
settings.register_profile("no clock", deadline=None)
settings.load_profile("no clock")

FLAGS = (
    "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--disable-background-networking",
    "--window-size=1280,1000",
)  # fmt: skip


@pytest.fixture(scope="module")
def browser():
    """Chromium without a window and without a network of its own; what it complains of is kept."""
    webdriver = pytest.importorskip("selenium.webdriver", reason="the browser is driven by selenium")
    from selenium.webdriver.chrome.service import Service

    program, driver = shutil.which("chromium"), shutil.which("chromedriver")
    if not (program and driver):
        pytest.skip("no chromium with its driver on this machine")
    options = webdriver.ChromeOptions()
    options.binary_location = program
    for flag in FLAGS:
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    opened = webdriver.Chrome(options=options, service=Service(driver))
    yield opened
    opened.quit()
