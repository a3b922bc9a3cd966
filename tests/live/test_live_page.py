"""The live page in a real browser, headless: frames, notes, marks, a kill and a restart, on the command as called."""

import json
import os
import signal
import socket
import subprocess
import sys
import time

import live_recording as recording
import numpy as np
import pytest

PATIENCE_S = 120  # for what comes within a second or two; two cores may be busy with eight other tests
FRAMES = 24  # before the page is opened; the measurement is learned from the first 20


class Program:
    """The command in a process of its own, on one port, so that it can be killed and started again."""

    def __init__(self, place):
        self.place, self.run = place, place / "run"
        self.counts = recording.counts(60)
        self.written = 0
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        self.address = f"http://127.0.0.1:{self.port}/"

    def start(self):
        words = ["live", "run", "--port", str(self.port), "--poll", "0.05", "-o", "answer", "--json"]
        self.process = subprocess.Popen(
            [sys.executable, "-m", "glowledger", *words], cwd=self.place, text=True,
            stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        )  # fmt: skip
        for line in self.process.stderr:
            if self.address in line:
                return
        raise AssertionError(f"it did not start: {self.process.communicate()}")

    def record(self, frames):
        """Write so many further frames."""
        for k in range(self.written, self.written + frames):
            recording.write_frame(self.run, k, self.counts[k])
        self.written += frames


@pytest.fixture(scope="module")
def program(tmp_path_factory):
    made = Program(tmp_path_factory.mktemp("live"))
    made.run.mkdir()
    made.record(FRAMES)
    made.start()
    yield made
    if made.process.poll() is None:
        made.process.kill()
    made.process.communicate()


@pytest.fixture
def page(browser, program):
    if program.address not in browser.current_url:
        browser.get(program.address)
    return browser


def until(page, what, script, *values):
    """Wait until a script returns something true in the page, and return it."""
    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end:
        found = page.execute_script(script, *values)
        if found:
            return found
        time.sleep(0.05)
    shown = page.execute_script("return document.body.innerText")
    raise AssertionError(f"{what} did not come within {PATIENCE_S} s; the page shows:\n{shown}")


def frame_is(page, number):
    until(page, f"frame {number}", "return document.getElementById('frame').textContent === arguments[0]", str(number))


def text_of(page, name):
    return page.execute_script("return document.getElementById(arguments[0]).textContent", name)


def source(page, figure, name):
    """Return the columns of what is drawn, as the plot library holds them."""
    return page.execute_script(
        """const [figure, name] = arguments;
        for (const doc of Bokeh.documents) if (doc.get_model_by_name(figure))
          for (const model of doc._all_models.values()) if (model.type === "ColumnDataSource" && model.name === name)
            return Object.fromEntries(Object.entries(model.data).map(([k, v]) => [k, Array.from(v)]));""",
        figure, name,
    )  # fmt: skip


def complaints(page, *, network=False):
    """Return what the console holds beyond plain information."""
    return [e for e in page.get_log("browser") if e["level"] != "INFO" and (network or e["source"] != "network")]


def test_it_shows_the_frames_that_are_there_and_a_verdict(page):
    frame_is(page, FRAMES)
    until(page, "a verdict", "return document.body.dataset.verdict !== 'learning'")
    assert text_of(page, "verdict") in ("approaching", "not reached", "cannot tell", "reached")
    assert len(text_of(page, "reason")) > 10
    assert page.execute_script("return document.body.dataset.link") == "live"
    assert "H I/Ar I" in text_of(page, "now")
    assert "What glows in the first 20 frames: Ar I" in text_of(page, "glow")
    drawn = source(page, "spectrum", "counts")
    assert drawn["x"] == pytest.approx(recording.AXIS.tolist())
    labels = source(page, "spectrum", "labels")["text"]
    assert any(label.startswith("Ar I 763.5") for label in labels)  # NIST ASD: 763.51 nm in air


def test_new_frames_appear_with_what_was_recorded(page, program):
    program.record(3)
    frame_is(page, program.written)
    last = source(page, "spectrum", "counts")["counts"]
    assert last == pytest.approx(program.counts[program.written - 1].tolist(), abs=0.5)
    fit = source(page, "spectrum", "fit")["fit"]
    assert fit != last
    assert np.corrcoef(fit, last)[0, 1] > 0.9  # its argon lines are not in the proportions of real argon
    until(page, "the trend", "return document.getElementById('time').textContent === arguments[0]", "26 s")


def test_a_note_is_text_and_lands_in_the_ledger_at_once(page, program):
    from selenium.webdriver.common.keys import Keys

    from glowledger.ledger.store import open_ledger

    words = "Loaded cell 7 <img src=x onerror=\"document.title='owned'\"> & closed the door: 5 µm"
    page.execute_script("document.activeElement.blur()")
    page.find_element("tag name", "body").send_keys("n")
    page.switch_to.active_element.send_keys(words, Keys.CONTROL, Keys.ENTER)
    until(page, "the note", "return document.getElementById('remarks').textContent.includes(arguments[0])", words)
    assert page.execute_script("return document.querySelectorAll('#remarks img').length") == 0
    until(page, "the answer", "return document.getElementById('answer').textContent === 'Note kept.'")
    with open_ledger(program.place / "ledger.sqlite") as ledger:
        found = ledger.run("latest")
    assert [note["text"] for note in found["notes"]] == [words]
    assert found["title"] == "run"


def test_keys_and_buttons_mark_events(page):
    page.find_element("tag name", "body").click()
    page.find_element("tag name", "body").send_keys("g")
    until(page, "the mark", "return document.getElementById('remarks').textContent.includes('gas opened')")
    page.find_element("css selector", "[data-mark='magnet']").click()
    until(page, "the mark", "return document.getElementById('remarks').textContent.includes('magnet')")
    assert set(source(page, "trend", "events")["text"]) >= {"mark: gas opened", "mark: magnet"}


def test_colours_change_by_key_and_the_figures_with_them(page):
    ground = (
        "return Bokeh.documents.map(d => d.get_model_by_name('trend')).find(m => m).background_fill_color + ' ' +"
        " document.documentElement.dataset.theme"
    )
    seen = set()
    for _ in range(3):
        page.find_element("tag name", "body").send_keys("t")
        seen.add(page.execute_script(ground))
    assert len(seen) == 2
    assert {s.split()[-1] for s in seen} == {"light", "dark"}


@pytest.mark.parametrize("width", [390, 768, 1280])
def test_nothing_is_wider_than_the_screen(page, width):
    screen = {"width": width, "height": 800, "deviceScaleFactor": 1, "mobile": width < 500}
    page.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", screen)
    try:
        until(page, "the layout", "return document.documentElement.scrollWidth <= arguments[0]", width)
    finally:
        page.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})


def test_so_far_nothing_was_wrong_and_nothing_came_from_elsewhere(page, program):
    assert complaints(page, network=True) == []
    loaded = page.execute_script("return performance.getEntriesByType('resource').map(e => e.name)")
    assert loaded
    assert all(name.startswith((program.address, "data:")) for name in loaded), loaded


def test_killed_and_started_again_the_page_goes_on_by_itself(page, program):
    page.execute_script("window.same = true; document.getElementById('note').value = 'half a note'")
    program.process.send_signal(signal.SIGKILL)
    program.process.communicate()
    until(page, "the loss", "return document.body.dataset.link === 'lost'")
    program.record(2)  # while nobody looks
    program.start()
    frame_is(page, program.written)
    until(page, "the verdict", "return document.body.dataset.verdict !== 'learning'")
    assert page.execute_script("return window.same") is True, "the page itself was not loaded anew"
    assert page.execute_script("return document.getElementById('note').value") == "half a note"
    assert "gas opened" in text_of(page, "remarks")
    program.record(1)
    frame_is(page, program.written)
    assert complaints(page) == []  # that a connection was refused is all there may be


def test_in_the_end_the_document_holds_marks_and_notes_and_the_ledger_the_run(page, program):
    from glowledger.ledger.store import open_ledger

    program.process.send_signal(signal.SIGTERM)
    out, err = program.process.communicate(timeout=PATIENCE_S)
    assert program.process.returncode == 0, err
    until(page, "the end", "return document.body.dataset.link !== 'live'")
    summary = json.loads(out)
    assert summary["schema"] == "glowledger/live/1"
    assert summary["frames"] == program.written
    document = json.loads((program.place / "answer" / "track.json").read_text(encoding="utf-8"))
    assert [(m["kind"], m["time_s"]) for m in document["marks"]] == [("gas opened", 26.0), ("magnet", 26.0)]
    assert document["notes"][0]["text"].startswith("Loaded cell 7 <img")
    assert document["frames"] == program.written
    with open_ledger(program.place / "ledger.sqlite") as ledger:
        assert len(ledger.runs()) == 1
        run = ledger.run("latest")
    assert run["frames"] == program.written
    assert run["notes"][0]["text"].startswith("Loaded cell 7 <img")
    assert len(run["files"]) == program.written
    assert {e["kind"] for e in run["events"]} >= {"mark: gas opened", "mark: magnet"}
    assert os.listdir(program.place / "ledger_runs"), "documents to rebuild from"


def test_from_elsewhere_the_page_opens_with_its_token_alone(browser, tmp_path):
    words = ["live", "run", "--host", "0.0.0.0", "--port", "0"]
    process = subprocess.Popen(
        [sys.executable, "-m", "glowledger", *words], cwd=tmp_path, text=True, stdout=subprocess.PIPE,
        env=os.environ | {"PYTHONUNBUFFERED": "1"},
    )  # fmt: skip
    try:
        line = next(line for line in process.stdout if "http://" in line)
        port, _, token = line.strip().rpartition(":")[2].partition("/?token=")
        assert len(token) >= 32
        browser.get(f"http://127.0.0.1:{port}/")
        assert "token" in browser.execute_script("return document.body.innerText")
        browser.get_log("browser")
        browser.get(f"http://127.0.0.1:{port}/?token={token}")
        until(browser, "the news", "return document.body.dataset.link === 'live'")
        browser.find_element("css selector", "[data-mark='magnet']").click()
        until(browser, "the mark", "return document.getElementById('remarks').textContent.includes('magnet')")
        assert complaints(browser, network=True) == []
    finally:
        process.terminate()
        out, _ = process.communicate(timeout=PATIENCE_S)
    assert "too few" in out
    assert process.returncode == 0
