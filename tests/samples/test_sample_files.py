"""The bundled samples say that they are invented, rebuild exactly, and hold what their truth says."""

import json
from pathlib import Path

import make_samples
import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

FOLDER = Path(__file__).resolve().parents[2] / "sample_spectra"
FILES = sorted(FOLDER.glob("*.csv"))


def table(name: str) -> tuple[np.ndarray, np.ndarray]:
    """Axis and counts (frames, pixels) of a sample file, read with numpy alone."""
    lines = (FOLDER / name).read_text(encoding="utf-8").splitlines()
    body = [line for line in lines if not line.startswith("#")][1:]
    columns = np.loadtxt(body, delimiter=",", unpack=True, ndmin=2)
    return columns[0], columns[1:]


@pytest.mark.parametrize("file", [*FILES, FOLDER / "README.md", FOLDER / "truth.json"], ids=lambda f: f.name)
def test_every_file_says_that_it_is_invented(file):
    with file.open(encoding="utf-8") as handle:
        assert "invented (simulated) data" in handle.read(400)


def test_samples_stay_small():
    assert sum(f.stat().st_size for f in FOLDER.iterdir() if f.is_file()) < 6e6


@pytest.mark.parametrize("make", ["dark", "air_leak", "single_spectrum", "tungsten"])
def test_small_files_rebuild_to_the_letter(make):
    built = getattr(make_samples, make)()
    assert (FOLDER / built.name).read_text(encoding="utf-8") == built.text()


@pytest.mark.parametrize("which", ["cfl", "neon"])
def test_lamps_rebuild_to_the_letter(which):
    built = make_samples.lamp(which)
    assert (FOLDER / built.name).read_text(encoding="utf-8") == built.text()


def test_chosen_frames_of_the_run_rebuild_exactly():
    frames = [0, 34, 188, 399]
    _, counts = table("cleaning_run.csv")
    built = np.round(make_samples.cleaning_run(frames).counts)
    assert_array_equal(counts[frames], built)


def test_truth_file_is_what_the_script_states():
    stored = json.loads((FOLDER / "truth.json").read_text(encoding="utf-8"))
    assert stored == json.loads(json.dumps(make_samples.truth()))


def test_endpoint_of_carbon_monoxide_solves_its_own_decay():
    # closed form: by then the fast part is gone, so 0.6 exp(-t/290 s) = 0.05, t = 290 s · ln 12
    stored = json.loads((FOLDER / "truth.json").read_text(encoding="utf-8"))["cleaning_run"]
    assert_allclose(stored["endpoint_s"], 290 * np.log(12), atol=0.1)
    assert 0.55 < stored["endpoint_s"] / (stored["frames"] * stored["cadence_s"]) < 0.75


def test_the_run_is_drawn_with_its_flashes_and_its_drift():
    stored = json.loads((FOLDER / "truth.json").read_text(encoding="utf-8"))
    _, counts = table("cleaning_run.csv")
    nm = make_samples.BENCH.true_nm(np.arange(counts.shape[1]))
    sodium = counts[:, (nm > 587.8) & (nm < 590.8)].sum(axis=1)
    for flash in stored["cleaning_run"]["flashes"]:
        first = round(flash["time_s"] / 3)
        if "Na I" in flash["species"]:
            around = np.r_[sodium[first - 4 : first], sodium[first + 4 : first + 8]]
            assert sodium[first] > around.mean() + 4 * around.std()
    near = (nm > 694) & (nm < 699.5)  # Ar I 696.543, no neighbour above a few per cent

    def centre(frames):
        y = frames.mean(axis=0)[near]
        y = y - np.sort(y)[:3].mean()
        return float(np.sum(nm[near] * y) / y.sum())

    moved = centre(counts[:8]) - centre(counts[-8:])  # light moves to lower pixels when the axis moves up
    assert_allclose(moved, stored["cleaning_run"]["drift_nm"], atol=0.03)


def test_nothing_saturates_in_the_samples():
    full = make_samples.BENCH.full_scale
    for name in ("lamp.csv", "lamp_neon.csv", "cleaning_run.csv", "blank_run.csv", "air_leak.csv"):
        _, counts = table(name)
        assert 0.2 * full < counts.max() < 0.95 * full, name
