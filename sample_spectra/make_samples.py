"""Make the invented sample spectra of this folder.

Everything here is simulated: the workshop, the part and the spectrometer do not exist. Physics and noise come
from ``tests/simulators``, which shares no code with glowledger, so that the tour shows glowledger at work on
data it did not make. Run it from a checkout::

    python sample_spectra/make_samples.py            # writes into this folder
    python sample_spectra/make_samples.py -o elsewhere
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "tests" / "simulators"))

from glow_emission import GRID_NM, Nature, species_photons  # noqa: E402
from glow_instrument import Instrument, detect, record  # noqa: E402
from glow_lamps import lamp_photons  # noqa: E402
from glow_simulator import continuum  # noqa: E402

SEED = 20260301
FRAMES, CADENCE_S = 400, 3.0
BLANK_FRAMES, LEAK_FRAMES, DARK_FRAMES, TUNGSTEN_FRAMES = 60, 20, 15, 8
DRIFT_NM, DRIFT_TIME_S = 0.30, 400.0

BENCH = Instrument(
    pixels=1024,
    range_nm=(299.0, 901.0),
    bend=(-13.0, 2.5),
    fwhm_nm=(1.25, 1.45),
    slit_share=0.8,
    tail=0.08,
    wing=0.02,
    second_order=0.002,
    stray=8e-4,
    dark_counts=874.0,
    dark_pattern=9.0,
    hot_pixels=5,
    read_noise_e=24.0,
    counts_per_e=0.6,
    averages=4,
    dark_subtracted=False,
)
OTHER = replace(
    BENCH,
    pixels=2048,
    range_nm=(248.0, 952.0),
    bend=(9.0, -1.5),
    fwhm_nm=(1.0, 1.15),
    dark_subtracted=True,
    axis_error_nm=(0.03, 0.02, -0.02),
    averages=10,
)
NATURE = Nature(
    t_rot={
        "CO Angstrom": 480.0,
        "CO third positive": 480.0,
        "OH": 700.0,
        "N2": 460.0,
        "N2+": 520.0,
        "CH": 900.0,
    },
    level=0.25,
    excitation_ev=0.42,
)

# photons per exposure at the start; product of cleaning: amount, two times and share of the first, floor
STEADY = {"Ar I": 5.2e6, "O I": 9.5e5, "N2": 2.4e4}
PRODUCTS = {
    "CO": (7.5e5, (60.0, 290.0), 0.40, 0.06),
    "OH": (4.0e5, (90.0, 260.0), 0.50, 0.15),
    "H I": (1.5e5, (80.0, 270.0), 0.50, 0.20),
    "CH": (1.2e5, (45.0, 110.0), 0.70, 0.02),
}
# frame, number of frames, photons
FLASHES = (
    (14, 1, {"Na I": 1.2e5, "Al I": 4.0e4}),
    (33, 2, {"Na I": 1.8e5, "H I": 6.0e4}),
    (57, 1, {"Al I": 1.6e5, "Na I": 3.2e4}),
    (86, 3, {"Na I": 8.0e4, "Al I": 6.0e4}),
    (131, 1, {"Na I": 1.0e5}),
    (188, 1, {"Al I": 8.8e4, "Na I": 2.4e4}),
)
EXCESS = 0.05
INVENTED = "invented (simulated) data: the place, the part and the spectrometer do not exist"


@dataclass(frozen=True)
class Table:
    """One file to be: preamble, names of the columns, axis, counts of shape (frames, pixels)."""

    name: str
    preamble: dict[str, str]
    axis_name: str
    axis: list[str]
    columns: list[str]
    counts: np.ndarray
    decimals: int = 0

    def text(self) -> str:
        """Return the file as text."""
        lines = [f"# {key}: {value}" for key, value in self.preamble.items()]
        lines.append(",".join([self.axis_name, *self.columns]))
        form = f"%.{self.decimals}f"
        rows = [[form % value for value in pixel] for pixel in self.counts.T]
        lines += [",".join([at, *row]) for at, row in zip(self.axis, rows, strict=True)]
        return "\n".join(lines) + "\n"


def decay(t: np.ndarray, times: tuple[float, float], first: float) -> np.ndarray:
    """Excess over the floor, 1 at the start."""
    return first * np.exp(-t / times[0]) + (1 - first) * np.exp(-t / times[1])


def endpoint_s(name: str) -> float:
    """Time at which the excess of a product has fallen to EXCESS of its start."""
    _, times, first, _ = PRODUCTS[name]
    low, high = 0.0, 1e5
    for _ in range(80):
        middle = (low + high) / 2
        low, high = (middle, high) if decay(np.array(middle), times, first) > EXCESS else (low, middle)
    return (low + high) / 2


def spectra_of(names: Iterable[str]) -> dict[str, np.ndarray]:
    """One spectrum per species on the fine grid, each from dice of its own."""
    out = {}
    for name in names:
        dice = np.random.RandomState([SEED, *name.encode()])
        out[name] = species_photons(name, dice, NATURE)[0]
    out["continuum"] = continuum(np.random.RandomState(SEED), "slope")
    return out


def drift_nm(t: np.ndarray) -> np.ndarray:
    """Warm-up drift of the spectrometer along the run."""
    end = FRAMES * CADENCE_S
    return DRIFT_NM * (1 - np.exp(-t / DRIFT_TIME_S)) / (1 - np.exp(-end / DRIFT_TIME_S))


def brightness(t: np.ndarray, seed: int) -> np.ndarray:
    """Common factor: power sinks by 8 % in 1200 s, wanders by 1 % and flickers by 1.5 %."""
    dice = np.random.RandomState(seed)
    wander = np.zeros(len(t))
    for k in range(1, len(t)):
        wander[k] = 0.97 * wander[k - 1] + 0.0025 * dice.standard_normal()
    return (1 - 0.08 * t / 1200.0) * np.exp(wander + 0.015 * dice.standard_normal(len(t)))


def run_photons() -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """Photons per species and frame of the cleaning run, shape (frames,)."""
    t = np.arange(FRAMES) * CADENCE_S
    light = brightness(t, SEED + 1)
    load = decay(t, *PRODUCTS["CO"][1:3])
    amount = {"Ar I": STEADY["Ar I"] * light, "N2": STEADY["N2"] * light**1.05}
    amount["O I"] = STEADY["O I"] * light * (1 - 0.25 * load)
    for name, (photons, times, first, floor) in PRODUCTS.items():
        amount[name] = photons * light * (floor + (1 - floor) * decay(t, times, first))
    amount["continuum"] = 3.0e5 * light * (1 + 0.3 * load)
    for frame, length, extra in FLASHES:
        for name, photons in extra.items():
            amount.setdefault(name, np.zeros(FRAMES))
            fall = np.exp(-0.5 * np.arange(length))
            amount[name][frame : frame + length] += photons * fall
        amount["continuum"][frame : frame + length] *= 1.4
    return t, amount


def expose(
    bench: Instrument, amount: dict[str, np.ndarray], shift_nm: np.ndarray, frames: Iterable[int], seed: int
) -> np.ndarray:
    """Counts of the chosen frames; each frame has dice of its own, so that a part can be rebuilt alone."""
    unit = spectra_of(name for name in amount if name != "continuum")
    names = list(amount)
    basis = np.array([unit[name] for name in names])
    out = []
    for frame in frames:
        weights = np.array([amount[name][frame] for name in names])
        electrons = detect(bench, weights @ basis, float(shift_nm[frame]))
        out.append(record(bench, electrons, np.random.RandomState([seed, frame]))[0])
    return np.array(out)


def preamble(what: str, **more: str) -> dict[str, str]:
    """Lines above the table."""
    return {
        "note": INVENTED,
        "what": what,
        "place": "Quillwater Observatory workshop (imaginary)",
        "spectrometer": "QW-1, 1024 pixels, fused-silica port, axis in pixels (imaginary)",
        **more,
    }


def _pixels(bench: Instrument) -> list[str]:
    return [str(k) for k in range(bench.pixels)]


def _times(count: int) -> list[str]:
    return [f"t={k * CADENCE_S:.1f} s" for k in range(count)]


GAS = {"gas": "Ar 90 %, O2 10 %", "pressure": "12 Pa", "exposure": "250 ms", "averages": "4"}


def cleaning_run(frames: Iterable[int] | None = None) -> Table:
    """A mirror cell is cleaned until its products are gone."""
    chosen = list(range(FRAMES)) if frames is None else list(frames)
    t, amount = run_photons()
    counts = expose(BENCH, amount, drift_nm(t), chosen, SEED + 2)
    head = preamble("glow cleaning of an aluminium mirror cell MC-07 (imaginary)", **GAS, cadence="3.0 s")
    columns = [_times(FRAMES)[k] for k in chosen]
    return Table("cleaning_run.csv", head, "pixel", _pixels(BENCH), columns, counts)


def blank_run() -> Table:
    """The clean empty chamber with the same recipe."""
    t = np.arange(BLANK_FRAMES) * CADENCE_S
    light = brightness(t, SEED + 3)
    amount = {name: photons * light for name, photons in STEADY.items()}
    amount |= {name: 0.97 * p[0] * p[3] * light for name, p in PRODUCTS.items()}
    amount["continuum"] = 3.0e5 * light
    counts = expose(BENCH, amount, np.full(len(t), 0.28), range(len(t)), SEED + 4)
    head = preamble("the same chamber, clean and empty (blank)", **GAS, cadence="3.0 s")
    return Table("blank_run.csv", head, "pixel", _pixels(BENCH), _times(len(t)), counts)


def air_leak() -> Table:
    """The same chamber with a small air leak."""
    t = np.arange(LEAK_FRAMES) * CADENCE_S
    light = brightness(t, SEED + 5)
    share = {"Ar I": 4.9e6, "O I": 1.1e6, "N2": 9.0e5, "N2+": 1.3e5, "OH": 6.0e4, "H I": 3.0e4, "NO": 3.0e4}
    amount = {name: photons * light for name, photons in share.items()}
    amount["continuum"] = 3.2e5 * light
    counts = expose(BENCH, amount, np.full(len(t), 0.28), range(len(t)), SEED + 6)
    head = preamble("the same chamber with a small air leak", **GAS, cadence="3.0 s")
    return Table("air_leak.csv", head, "pixel", _pixels(BENCH), _times(len(t)), counts)


def dark() -> Table:
    """Plasma off, port covered, same exposure as the run."""
    out = [
        record(BENCH, np.zeros((1, BENCH.pixels)), np.random.RandomState([SEED + 7, k]))[0]
        for k in range(DARK_FRAMES)
    ]
    head = preamble("dark frames: plasma off, port covered", exposure="250 ms", averages="4")
    return Table("dark.csv", head, "pixel", _pixels(BENCH), _times(DARK_FRAMES), np.array(out))


def lamp(which: str) -> Table:
    """A lamp seen by the cold spectrometer, raw counts, dark not subtracted."""
    what = {"cfl": "compact fluorescent lamp", "neon": "neon indicator lamp"}[which]
    bench = replace(BENCH, averages=10)
    photons = lamp_photons(which) * {"cfl": 7.5e5, "neon": 9.0e5}[which]
    photons = photons + {"cfl": 4.0e4, "neon": 1.0e4}[which] * continuum(np.random.RandomState(1), "hot wall")
    counts = record(bench, detect(bench, photons), np.random.RandomState([SEED + 8, len(which)]))
    name = {"cfl": "lamp.csv", "neon": "lamp_neon.csv"}[which]
    head = preamble(f"{what} held before the port", lamp=what, exposure="60 ms", averages="10")
    return Table(name, head, "pixel", _pixels(BENCH), ["counts"], np.round(counts))


def tungsten() -> Table:
    """A tungsten lamp of 2800 K colour temperature before the fibre, several exposures, raw counts."""
    # Planck's law in photons times an emissivity that falls from blue to red; filament 50 K below its colour
    emissivity = np.interp(GRID_NM, [300, 400, 500, 600, 700, 900], [0.458, 0.465, 0.45, 0.436, 0.421, 0.385])
    photons = emissivity * (600.0 / GRID_NM) ** 4 / np.expm1(1.438777e7 / (GRID_NM * 2750.0))
    electrons = detect(BENCH, photons)
    electrons *= 0.75 * BENCH.full_scale / BENCH.counts_per_e / electrons.max()
    counts = [
        record(BENCH, electrons, np.random.RandomState([SEED + 10, k]))[0] for k in range(TUNGSTEN_FRAMES)
    ]
    head = preamble("tungsten lamp held before the fibre", lamp="tungsten, 2800 K", exposure="250 ms", averages="4")
    return Table("tungsten.csv", head, "pixel", _pixels(BENCH), _times(TUNGSTEN_FRAMES), np.round(counts))


def single_spectrum() -> Table:
    """An argon glow with some water from another spectrometer, already in nm and dark-subtracted."""
    share = {"Ar I": 7.0e6, "OH": 6.0e5, "H I": 2.5e5, "O I": 2.5e5, "continuum": 5.0e5}
    amount = {name: np.array([photons]) for name, photons in share.items()}
    counts = expose(OTHER, amount, np.zeros(1), [0], SEED + 9)
    head = preamble("argon glow soon after venting, dark subtracted", exposure="400 ms", averages="10")
    head["spectrometer"] = "QW-2, 2048 pixels, fused-silica port, axis in nm (imaginary)"
    axis = [f"{x:.3f}" for x in OTHER.believed_nm()]
    return Table("spectrum.csv", head, "wavelength_nm", axis, ["counts"], counts, decimals=1)


def truth() -> dict[str, object]:
    """What was put in, for whoever wants to compare."""
    x = np.linspace(0, BENCH.pixels - 1, 9)
    ends = {name: round(endpoint_s(name), 1) for name in PRODUCTS}
    return {
        "note": INVENTED,
        "seed": SEED,
        "bench": {
            "pixel": x.tolist(),
            "wavelength_air_nm": np.round(BENCH.true_nm(x), 4).tolist(),
            "fwhm_nm": list(BENCH.fwhm_nm),
            "full_scale": BENCH.full_scale,
            "counts_per_electron": BENCH.counts_per_e,
            "read_noise_counts": BENCH.read_noise_e * BENCH.counts_per_e,
        },
        "cleaning_run": {
            "frames": FRAMES,
            "cadence_s": CADENCE_S,
            "criterion": f"excess over the floor below {EXCESS:.0%} of its start",
            "endpoint_s": ends["CO"],
            "endpoint_by_product_s": ends,
            "floor_share_of_start": {name: p[3] for name, p in PRODUCTS.items()},
            "time_constants_s": {name: list(p[1]) for name, p in PRODUCTS.items()},
            "first_share": {name: p[2] for name, p in PRODUCTS.items()},
            "species": sorted([*STEADY, *PRODUCTS]),
            "flashes": [
                {"time_s": f * CADENCE_S, "duration_s": n * CADENCE_S, "species": sorted(extra)}
                for f, n, extra in FLASHES
            ],
            "drift_nm": DRIFT_NM,
            "t_rot_k": NATURE.t_rot,
        },
        "blank_run": {"species": sorted([*STEADY, *PRODUCTS]), "drift_nm": 0.28},
        "air_leak": {"species": ["Ar I", "H I", "N2", "N2+", "NO", "O I", "OH"], "drift_nm": 0.28},
        "spectrum": {"species": ["Ar I", "H I", "O I", "OH"], "axis_error_nm": list(OTHER.axis_error_nm)},
    }


def main() -> None:
    """Write all files."""
    parser = argparse.ArgumentParser(description="Make the invented sample spectra.")
    parser.add_argument("-o", "--output", type=Path, default=HERE, help="folder to write into")
    folder = parser.parse_args().output
    folder.mkdir(parents=True, exist_ok=True)
    tables = [lamp("cfl"), lamp("neon"), dark(), tungsten(), cleaning_run(), blank_run(), air_leak(), single_spectrum()]
    for table in tables:
        (folder / table.name).write_text(table.text(), encoding="utf-8")
    (folder / "truth.json").write_text(json.dumps(truth(), indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
