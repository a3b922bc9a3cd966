"""Flashes are what flashes: neither a misfit that is there in every frame nor the steps of a converter."""

import json
from functools import cache

import numpy as np
from click.testing import CliRunner
from run_counts import NAMES, cleaning_counts
from run_spectra import draw_run

from glowledger.cli import main
from glowledger.glow.results import SeriesFit
from glowledger.glow.series import fit_series
from glowledger.runs.analysing import analyse_run
from glowledger.spectra.frames import frames_from_arrays


@cache
def flashes_of(seed):
    run = draw_run(seed, frames=200)
    series = fit_series(frames_from_arrays(run.instrument.believed_nm(), run.counts, time_s=run.time_s))
    return analyse_run(series).flashes


def test_misfit_of_a_bright_gas_is_no_flash():
    """Three flashes of sodium; 22 were told, the others of species that share what argon's templates leave."""
    assert [f.time_s for f in flashes_of(703)] == [60.0, 170.0, 375.0]


def test_a_flash_with_its_line_at_the_ceiling_is_told_by_its_flanks():
    """Both sodium lines are missing there: sulphur and nitrogen ions were named, of what argon and oxygen leave."""
    run = draw_run(703, frames=200)
    nm = run.instrument.believed_nm()
    flashing = np.isnan(run.counts[:, np.abs(nm - 589.3) < 1.0]).any(axis=1)
    assert list(run.time_s[flashing]) == [60.0, 170.0, 375.0]
    assert [f.species for f in flashes_of(703)] == [("Na I",)] * 3


def test_flashes_are_told_to_be_of_what_flashed():
    """Sodium; where helium 587.6 nm, two thirds of a line width beside it, is free as well it may be taken for that."""
    told = [flash for seed in (700, 701, 703, 704) for flash in flashes_of(seed)]
    assert len(told) > 8
    assert np.mean(["Na I" in flash.species for flash in told]) > 0.8


def test_a_run_written_in_steps_wider_than_its_noise_says_so(tmp_path):
    run = draw_run(703, frames=40)
    light = np.nan_to_num(run.counts) - np.quantile(run.noise_free, 0.1)
    counts = np.clip(np.round(230 * light / light.max()), 0, 255)
    file = tmp_path / "eight_bits.csv"
    head = ",".join(["time_s", *(f"{nm:.3f}" for nm in run.instrument.believed_nm())])
    np.savetxt(file, np.column_stack([run.time_s, counts]), delimiter=",", fmt="%.6g", header=head, comments="")
    result = CliRunner().invoke(main, ["track", str(file), "--json"])
    assert result.exit_code == 0, result.output
    alarms = json.loads(result.stdout)["alarms"]
    assert [a["kind"] for a in alarms].count("coarse steps") == 1


def test_a_run_divided_by_the_response_has_no_flashes_but_its_own():
    """Noise differs by thirty along the axis; with one noise for all pixels, tens of flashes were told."""
    run = draw_run(711, frames=200)
    nm = run.instrument.believed_nm()
    factor = np.exp(np.log(30.0) * ((nm - nm.mean()) / np.ptp(nm) * 2) ** 2)
    plain = fit_series(frames_from_arrays(nm, run.counts, time_s=run.time_s))
    divided = fit_series(frames_from_arrays(nm, run.counts * factor, time_s=run.time_s))
    told = [[f.time_s for f in analyse_run(series).flashes] for series in (plain, divided)]
    assert told[1] == told[0]


def test_light_that_brightens_as_a_whole_is_no_flash():
    run = cleaning_counts(200, seed=6)
    factor = np.ones(200)
    factor[[50, 90, 91]] = 1.5
    for name in ("counts", "total_counts", "continuum_counts", "standard_error", "total_error"):
        run[name] *= factor if run[name].ndim == 1 else factor[:, None]
    run["counts"][120, NAMES.index("Na I")] += 6000.0
    result = analyse_run(SeriesFit(species_names=NAMES, **run))
    assert [(f.time_s, f.species) for f in result.flashes] == [(120.0, ("Na I",))]
    assert "light brightened as a whole" in [a.kind for a in result.alarms]
