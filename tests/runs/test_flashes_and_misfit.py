"""Flashes are what flashes: neither a misfit that is there in every frame nor the steps of a converter."""

import json

import numpy as np
from click.testing import CliRunner
from run_spectra import draw_run

from glowledger.cli import main
from glowledger.glow.series import fit_series
from glowledger.runs.analysing import analyse_run
from glowledger.spectra.frames import frames_from_arrays


def test_misfit_of_a_bright_gas_is_no_flash():
    """Three flashes of sodium; 22 were told, the others of species that share what argon's templates leave."""
    run = draw_run(703, frames=200)
    series = fit_series(frames_from_arrays(run.instrument.believed_nm(), run.counts, time_s=run.time_s))
    flashes = analyse_run(series).flashes
    assert [f.time_s for f in flashes] == [60.0, 170.0, 375.0]
    assert all("Na I" in f.species for f in flashes)


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
