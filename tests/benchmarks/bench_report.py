"""The page of a run: size, time to write, time to open in a browser, time to redraw a zoomed figure.

Run: ``python tests/benchmarks/bench_report.py`` (``--quick``: the run of the samples' size only). The page is opened
from disk in a headless Chromium without a network, several times, beside the bare minimum: the same browser with an
empty page. Without Chromium and its driver sizes and writing times are printed alone. Goals: at most 2 MB, opened
within 2 s, whatever the length of the run.
"""

from __future__ import annotations

import argparse
import platform
import shutil
import statistics
import sys
import tempfile
import time
from dataclasses import replace
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "report"))

from invented_results import invented_fit, invented_run

from glowledger.glow.own_reference import DriftCurve
from glowledger.report.leaving import Drawn
from glowledger.report.track_files import RunLight, write_track
from glowledger.runs.operating_point import OperatingPoint
from glowledger.runs.results import RunResult, Trend

LARGEST_MB = 2.0
LONGEST_S = 2.0
REDRAW = """const done = arguments[0], figure = document.querySelector("figure.zooms");
const start = performance.now();
figure.querySelector("button[value=in]").click();
requestAnimationFrame(() => requestAnimationFrame(() => done(performance.now() - start)));"""


def run_of(frames: int, indicators: int) -> RunResult:
    """Return an invented run of that many frames."""
    rng = np.random.default_rng(2)
    base = invented_run()
    time_s = np.arange(frames) * 3.0
    trends = tuple(
        Trend(
            name=f"{name}/Ar I", time_s=time_s,
            value=np.exp(-time_s / (0.2 * time_s[-1])) + rng.normal(0, 0.02, frames),
            standard_error=np.full(frames, 0.02), used=rng.random(frames) > 0.01,
        )
        for name in ("CO", "OH", "H I", "CH", "CN", "Na I")[:indicators]
    )  # fmt: skip
    return replace(base, indicators=trends, frames=frames, duration_s=float(time_s[-1]))


def light_of(pixels: int, frames: int) -> RunLight:
    """Return spectrum, drift and trade-off for it."""
    time_s = np.linspace(0, 3.0 * frames, 12)
    drift = DriftCurve(
        time_s=time_s, first_frame=np.arange(12), at_nm=np.array([400.0, 600.0, 800.0]),
        shift_nm=np.outer(np.linspace(0, 0.3, 12), [1, 0.9, 0.8]), shift_se_nm=np.full((12, 3), 0.01),
        fwhm_nm=np.full(12, 1.4), fwhm_se_nm=np.full(12, 0.01), sentences=("The axis drifted.",),
    )  # fmt: skip
    judged = np.linspace(0, 3.0 * frames, min(frames, 400))
    point = OperatingPoint(
        indicator="CO/Ar I", time_s=judged, early=np.clip(1.5 - judged / judged[-1] * 2, 0.001, 1), accepted=0.05,
        risks=np.array([0.5, 0.2, 0.05, 0.01]), stop_s=judged[-1] * np.array([0.5, 0.65, 0.73, 0.75]),
    )  # fmt: skip
    return RunLight(fit=invented_fit(200, 1050, pixels), drift=drift, point=point)


def browser() -> Any:
    """Return a headless Chromium, or None."""
    chromium, driver = shutil.which("chromium"), shutil.which("chromedriver")
    if not (chromium and driver):
        return None
    try:
        from selenium import webdriver
        from selenium.webdriver.chrome.service import Service
    except ImportError:
        return None
    options = webdriver.ChromeOptions()
    options.binary_location = chromium
    for flag in ("--headless=new", "--no-sandbox", "--disable-gpu", "--disable-background-networking"):
        options.add_argument(flag)
    return webdriver.Chrome(options=options, service=Service(driver))


def opened(chromium: Any, page: Path, turns: int) -> float:
    """Return the median time from the call to a page that is loaded and drawn, s."""
    times = []
    for _ in range(turns):
        chromium.get("about:blank")
        start = time.perf_counter()
        chromium.get(page.as_uri())
        chromium.execute_async_script("requestAnimationFrame(() => requestAnimationFrame(arguments[0]))")
        times.append(time.perf_counter() - start)
    return statistics.median(times)


def main() -> int:
    """Print sizes and times; the exit code tells a page that is too large."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--quick", action="store_true")
    quick = parser.parse_args().quick
    cases = [("run of the samples' size", 400, 4, 1024)]
    if not quick:
        cases += [("an hour, fine spectrometer", 1200, 4, 3648), ("a day, six indicators", 28_800, 6, 3648)]
    libraries = ", ".join(f"{name} {version(name)}" for name in ("matplotlib", "numpy"))
    chromium = browser()
    shown = "no browser" if chromium is None else f"Chromium {chromium.capabilities['browserVersion']}"
    print(f"Python {platform.python_version()}, {libraries}, {shown}")
    too_large = False
    with tempfile.TemporaryDirectory() as place:
        empty = Path(place) / "empty.html"
        empty.write_text("<!DOCTYPE html><title>empty</title>")
        turns = 3 if quick else 7
        bare = None if chromium is None else opened(chromium, empty, turns)
        for name, frames, indicators, pixels in cases:
            start = time.perf_counter()
            written = write_track(
                Path(place) / str(frames), run_of(frames, indicators), title=name, command="glowledger track",
                light=light_of(pixels, frames), drawn=Drawn(formats=()),
            )  # fmt: skip
            wrote = time.perf_counter() - start
            page = written[0]
            megabytes = page.stat().st_size / 1e6
            zooms = page.read_text(encoding="utf-8").count('class="zooms"')
            too_large |= megabytes > LARGEST_MB
            line = f"{name}: {frames} frames, {pixels} pixels: {megabytes:.2f} MB (goal {LARGEST_MB:g}), "
            line += f"{zooms} figures that zoom, written in {wrote:.1f} s"
            if chromium is not None and bare is not None:
                took = opened(chromium, page, turns)
                redraw = statistics.median(chromium.execute_async_script(REDRAW) for _ in range(5))
                line += f", opened in {took:.2f} s (goal {LONGEST_S:g}; an empty page {bare:.2f} s), "
                line += f"zoomed in {redraw:.0f} ms"
            print(line)
    if chromium is not None:
        chromium.quit()
    return int(too_large)


if __name__ == "__main__":
    sys.exit(main())
