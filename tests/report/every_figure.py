"""Every figure that is drawn, from invented results: for tests that hold for all of them, and to look at.

Run as a program it writes them to a folder, in colour and in grey:  python tests/report/every_figure.py FOLDER
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from invented_results import invented_fit, invented_run

from glowledger.bench.model import Response, WavelengthSolution
from glowledger.bench.outcome import Calibration, LineRow
from glowledger.diagnose.compared_run import ComparedRun
from glowledger.diagnose.comparing import compare_runs
from glowledger.diagnose.estimates import Estimate
from glowledger.diagnose.fair_comparison import Conditions
from glowledger.diagnose.feed import parse_feed
from glowledger.diagnose.run_estimates import DecayReading
from glowledger.glow.own_reference import DriftCurve
from glowledger.report import style
from glowledger.report.figures_bench import drift_figure, response_figure
from glowledger.report.figures_calibration import calibration_figure
from glowledger.report.figures_colour import colour_figure
from glowledger.report.figures_compare import compare_figure
from glowledger.report.figures_endpoint import operating_figure
from glowledger.report.figures_identify import spectrum_figure
from glowledger.report.figures_run import run_figure
from glowledger.runs.operating_point import OperatingPoint
from glowledger.runs.results import Regime
from glowledger.spectra.frames import frames_from_arrays

LAMP = [(404.66, 20), (407.78, 4), (435.83, 60), (546.07, 100), (576.96, 22), (579.07, 24), (696.54, 8), (763.51, 12),
        (811.53, 10), (842.46, 5)]  # fmt: skip


def spectrum(scale="sqrt"):
    return spectrum_figure(invented_fit(pixels=700), "invented spectrum", scale=scale, notice=style.INVENTED)


def run(verdict="reached", regimes=()):
    result = invented_run(verdict)
    return run_figure(replace(result, regimes=regimes or result.regimes), "invented run", notice=style.INVENTED)


def changed_run():
    return run("approaching", (
        Regime(start_s=0.0, end_s=300.0, why="start of the run"),
        Regime(start_s=300.0, end_s=360.0, why="plasma out"),
        Regime(start_s=360.0, end_s=900.0, why="plasma lit again, under other conditions"),
        Regime(start_s=900.0, end_s=1196.0, why="all light stepped by 0.6"),
    ))  # fmt: skip


def trade_off(verdict="reached"):
    time = np.arange(300.0, 640.0, 8.0)
    early = np.clip(1.2 - (time - 300.0) / (250.0 if verdict == "reached" else 400.0), 0.001, 1.0)
    stop = np.array([545.0, 560.0, 572.0, 600.0, np.nan])
    point = OperatingPoint(
        indicator="CO/Ar I", time_s=time, early=early, accepted=0.05, risks=np.array([0.5, 0.2, 0.1, 0.05, 0.01]),
        stop_s=stop if verdict == "reached" else np.full(5, np.nan),
    )  # fmt: skip
    return operating_figure(point, invented_run(verdict), "invented run", notice=style.INVENTED)


def drift():
    time = np.linspace(50.0, 1150.0, 12)
    moved = 0.3 * (np.exp(-time / 400.0) - 1.0)
    return drift_figure(DriftCurve(
        time_s=time, first_frame=np.arange(12), at_nm=np.array([410.0, 763.0, 842.0]),
        shift_nm=np.stack([moved, 0.95 * moved, 0.8 * moved], axis=1), shift_se_nm=np.full((12, 3), 0.008),
        fwhm_nm=1.37 + 0.01 * np.sin(time / 200.0), fwhm_se_nm=np.full(12, 0.005), sentences=("The axis drifted.",),
    ), notice=style.INVENTED)  # fmt: skip


def response():
    nm = np.linspace(350.0, 850.0, 51)
    value = np.exp(-(((nm - 600.0) / 150.0) ** 2))
    one = Response(at_nm=nm, value=value, relative_error=0.05 + np.abs(nm - 600.0) / 1500.0, usable_nm=(380.0, 820.0))
    other = replace(one, value=0.4 * value * (1 + 0.1 * np.sin(nm / 60.0)))
    return response_figure(one, other, invented=True)


def calibration():
    pixel = np.arange(1024.0)
    solution = WavelengthSolution(
        coefficients=np.array([600.0, 290.0, -6.0]), domain=(0.0, 1023.0), covariance=np.diag([4e-4, 9e-4, 4e-4]),
        scatter_nm=0.02, covered=(150.0, 900.0),
    )  # fmt: skip
    nm = solution.nm(pixel)
    counts = 100 + sum(300 * h * np.exp(-0.5 * ((nm - at) / 0.8) ** 2) for at, h in LAMP)
    rows = tuple(
        LineRow(
            species="Hg I" if at < 600 else "Ar I", wavelength_nm=at, pixel=float(np.interp(at, nm, pixel)),
            residual_nm=0.03 * np.sin(k), error_nm=0.02, used=k != 1,
        )
        for k, (at, _) in enumerate(LAMP)
    )  # fmt: skip
    found = Calibration(
        lamp="cfl", accepted=True, solution=solution, lines=rows, rms_nm=0.03, loo_rms_nm=0.05, fwhm_nm=1.9
    )
    return calibration_figure(found, [frames_from_arrays(pixel, counts[None, :])])


def compare():
    def decay(tau_s):
        return DecayReading(
            name="CO/Ar I", time_constant=Estimate(value=tau_s, low=0.95 * tau_s, high=1.04 * tau_s),
            slow_constant=Estimate(reason="the fall has one stage"),
            initial=Estimate(value=0.41, low=0.40, high=0.42, freedom=20.0),
            final=Estimate(value=0.0082, low=0.0031, high=0.0133, freedom=40.0), two=0.01,
        )  # fmt: skip

    runs = [
        ComparedRun(name=name, result=invented_run(verdict, seed=k), conditions=Conditions(feed=parse_feed(gas)),
                    decays=(decay(tau),))
        for k, (name, gas, verdict, tau) in enumerate(
            [("first run", "O2", "reached", 180.0), ("second run", "Ar", "not reached", 270.0),
             ("third run", "Ar:0.9,O2:0.1", "reached", 210.0)]
        )
    ]  # fmt: skip
    return compare_figure(compare_runs(runs, "CO"), notice=style.INVENTED)


def colour():
    from glowledger.cli.colour import _of_colour

    return colour_figure(_of_colour("#c87aff"), notice=style.INVENTED)


FIGURES = {
    "spectrum": spectrum, "spectrum_log": lambda: spectrum("log"), "run": run, "run_changed": changed_run,
    "trade_off": trade_off, "trade_off_open": lambda: trade_off("approaching"), "drift": drift, "response": response,
    "calibration": calibration, "compare": compare, "colour": colour,
}  # fmt: skip


if __name__ == "__main__":
    from PIL import Image

    folder = Path(sys.argv[1])
    folder.mkdir(parents=True, exist_ok=True)
    for name, draw in FIGURES.items():
        path = style.save_figure(draw(), folder / f"{name}.png")
        Image.open(path).convert("L").save(folder / f"{name}_grey.png")
