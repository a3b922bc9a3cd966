"""The live page: time from a file written to its number on the screen, and growth over many frames.

The command runs as called, a headless Chromium shows its page, and frames of 400 pixels are written into the folder at
10 per second (each file renamed into place). The page stamps every frame number when it is painted; the file is
stamped when it is in place; both clocks are this machine's. While the measurement is learned (after 20, 60 and 180
frames) the page waits for it, so those frames are told apart. Then frames come as fast as they are taken, and the
memory of the program and of the page's script are read from time to time.

Run `python tests/benchmarks/bench_live.py`, or with --quick for a smoke run, or --frames N for a longer one.
"""

import argparse
import importlib.metadata
import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "simulators"))
import live_recording as recording

BROWSER, DRIVER = shutil.which("chromium"), shutil.which("chromedriver")
RATE = 10.0  # frames a second
STAGES = (20, 60, 180)
STAMP = """
window.painted = {};
new MutationObserver(() => requestAnimationFrame(() => setTimeout(() => {
  const frame = document.getElementById("frame").textContent;
  if (!(frame in window.painted)) window.painted[frame] = Date.now() / 1000;
}, 0))).observe(document.getElementById("frame"), {characterData: true, childList: true, subtree: true});
"""


def browser():
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    options.binary_location = BROWSER
    for flag in ("--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage",
                 "--disable-background-networking", "--window-size=1280,900", "--enable-precise-memory-info",
                 "--js-flags=--expose-gc"):  # fmt: skip
        options.add_argument(flag)
    return webdriver.Chrome(options=options, service=Service(DRIVER))


class Bench:
    """The program, the page, and the folder that fills."""

    def __init__(self, place):
        self.folder = place / "run"
        self.folder.mkdir()
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]
        words = ["live", "run", "--port", str(port), "--json", "--poll", "0.02"]
        self.program = subprocess.Popen(
            [sys.executable, "-m", "glowledger", *words], cwd=place, text=True, stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
        )  # fmt: skip
        self.address = next(line.split()[-1] for line in self.program.stderr if "http://" in line)
        self.page = browser()
        self.page.get(self.address)
        self.until("document.body.dataset.link === 'live'", 120)
        self.page.execute_script(STAMP)
        self.counts = recording.counts(400)  # beyond, the last 200 again and again: the run stays at its floor
        self.written = {}

    def write(self):
        number = len(self.written) + 1
        k = number - 1 if number <= 400 else 200 + (number - 1) % 200
        file = recording.write_frame(self.folder, number - 1, self.counts[k])
        self.written[number] = time.time()
        return file

    def until(self, script, most_s):
        end = time.monotonic() + most_s
        while time.monotonic() < end:
            if self.page.execute_script(f"return {script}"):
                return True
            time.sleep(0.05)
        return False

    def caught_up(self, most_s):
        return self.until(f"document.getElementById('frame').textContent === '{len(self.written)}'", most_s)

    def memory_mb(self):
        """Return the resident memory of the program and the heap of the page's script."""
        status = Path(f"/proc/{self.program.pid}/status").read_text()
        resident = int(next(line for line in status.splitlines() if line.startswith("VmRSS")).split()[1]) / 1024
        self.page.execute_script("window.gc && window.gc()")
        heap = self.page.execute_cdp_cmd("Runtime.getHeapUsage", {})["usedSize"] / 2**20
        return resident, heap

    def end(self):
        self.page.quit()
        self.program.send_signal(signal.SIGKILL)
        self.program.communicate()


def latency(bench, frames):
    """Write frames at the rate and return the delays in seconds, by number, of those that were painted."""
    first, start = len(bench.written) + 1, time.time()
    for k in range(frames):
        time.sleep(max(0.0, start + k / RATE - time.time()))
        bench.write()
    bench.caught_up(60)
    painted = {int(n): t for n, t in bench.page.execute_script("return window.painted").items()}
    numbers = sorted(painted)
    delays = {}
    for n in range(first, first + frames):
        shown = next((p for p in numbers if p >= n), None)  # a later number shows that this frame is in as well
        if shown is not None:
            delays[n] = painted[shown] - bench.written[n]
    return delays


def main():
    options = argparse.ArgumentParser()
    options.add_argument("--quick", action="store_true")
    options.add_argument("--frames", type=int, default=4000, help="frames fed quickly")
    asked = options.parse_args()
    try:
        import selenium  # noqa: F401
    except ImportError:
        print("bench_live is left out: selenium is not installed")
        return
    if not (BROWSER and DRIVER):
        print("bench_live is left out: there is no chromium with its driver on this machine")
        return
    versions = {name: importlib.metadata.version(name) for name in ("bokeh", "tornado", "numpy")}
    version = subprocess.run([BROWSER, "--version"], capture_output=True, text=True, check=False).stdout.strip()
    print(f"{versions}, {version}; load {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")
    with tempfile.TemporaryDirectory() as place:
        bench = Bench(Path(place))
        try:
            run(bench, asked)
        finally:
            bench.end()


def run(bench, asked):
    for stage in STAGES[: 1 if asked.quick else 3]:  # learned without being hurried
        while len(bench.written) < stage:
            bench.write()
        start = time.time()
        if not (bench.caught_up(100) and bench.until("document.body.dataset.busy === 'false'", 100)):
            print(f"the first {stage} frames were not shown within 100 s: the machine is too busy to measure")
            return
        print(f"learning from {stage} frames: {time.time() - start:.1f} s until they are on the screen")
    frames = min(30, STAGES[1] - STAGES[0] - 1) if asked.quick else 600
    delays = 1000 * np.array(list(latency(bench, frames).values()))
    median, late = np.median(delays), np.quantile(delays, 0.95)
    print(f"file to screen at {RATE:.0f} frames/s, {len(delays)} of {frames} frames: median {median:.0f} ms,")
    print(f"  95 % within {late:.0f} ms, worst {delays.max():.0f} ms; {np.mean(delays <= 200):.1%} within 200 ms")
    if asked.quick:
        resident, heap = bench.memory_mb()
        print(f"program {resident:.0f} MB resident, page {heap:.1f} MB heap")
        return
    steps, each = 8, max(asked.frames // 8, 1)
    for step in range(steps + 1):
        resident, heap = bench.memory_mb()
        print(f"{len(bench.written):7d} frames: program {resident:.0f} MB resident, page {heap:.1f} MB heap")
        if step == steps:
            break
        start = time.time()
        for _ in range(each):
            bench.write()
        if not bench.caught_up(600):
            print("  not caught up within 600 s")
            break
        print(f"  {each / (time.time() - start):.0f} frames/s")
    delays = 1000 * np.array(list(latency(bench, 100).values()))
    median, late = np.median(delays), np.quantile(delays, 0.95)
    print(f"file to screen at the end: median {median:.0f} ms, 95 % within {late:.0f} ms")


if __name__ == "__main__":
    main()
