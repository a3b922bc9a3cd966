"""What was left when conditions changed, what comes back after its end, and floors that lie below zero."""

import re

import numpy as np
import pytest
from run_counts import NAMES, cleaning_counts

from glowledger.glow.results import SeriesFit
from glowledger.runs.analysing import analyse_run
from glowledger.runs.endpoint import judge_series

CO, OH, H = (NAMES.index(name) for name in ("CO", "OH", "H I"))


def analysed(run):
    return analyse_run(SeriesFit(species_names=NAMES, **run))


def test_an_end_of_others_is_not_that_of_what_was_left_when_conditions_changed():
    """A third of the CO was left; after the change its light drowns in noise, while OH and H end."""
    run = cleaning_counts(400, seed=5, power_at=70)  # so long that OH and H cannot be falling ever more slowly
    run["counts"][70:, CO] = 1500.0 + 600.0 * np.random.default_rng(5).standard_normal(330)
    run["standard_error"][70:, CO] = 600.0
    end = analysed(run).endpoint
    assert end.verdict == "cannot tell"  # before: 'reached', and CO was one of those without a decay to judge
    assert end.indicator == "CO/Ar I"
    assert "Conditions changed while up to" in end.reason
    assert "has ended" in end.reason


def test_a_contaminant_that_comes_back_after_its_end_is_not_gone():
    run = cleaning_counts(500, seed=4)
    t = run["time_s"]
    run["counts"][:, CO] += np.where(t > 350, 2500.0 * (1 - np.exp(-(t - 350) / 20)), 0.0)
    result = analysed(run)
    assert 60 * np.log(20) < result.endpoint.declared_at_s < 350
    assert result.endpoint.verdict == "not reached"  # before: 'reached', its excess 0.01 %
    assert "come back" in result.endpoint.reason
    back = int(re.search(r"stands (\d+) %", result.endpoint.reason)[1])
    assert back == pytest.approx(100 * 2500 / 6000, abs=5)


def test_what_came_back_and_ended_again_ends_when_it_does():
    """A second layer; before: 'reached' at the end of the first one, whatever came after."""
    run = cleaning_counts(700, seed=4)
    t = run["time_s"]
    run["counts"][:, CO] += np.where(t > 350, 5000.0 * np.exp(-np.maximum(t - 350, 0) / 50), 0.0)
    result = analysed(run)
    assert result.endpoint.verdict == "reached"
    assert result.endpoint.interval_s[0] < 350 + 50 * np.log(20) < result.endpoint.interval_s[1]
    assert [a.time_s for a in result.alarms if a.kind == "contaminant came back"] == [pytest.approx(356, abs=8)]
    shorter = {name: part[:420] if np.ndim(part) else part for name, part in run.items()}
    assert analysed(shorter).endpoint.verdict in ("approaching", "not reached")


@pytest.mark.parametrize("lamp", [False, True])
def test_what_comes_back_while_a_lamp_is_switched_on_or_nitrogen_leaks_in_is_seen(lamp):
    """The end was kept as it was from any change of conditions on, and nothing was looked at after it."""
    run = cleaning_counts(500, seed=4, lamp_at=350 if lamp else None, leak_at=None if lamp else 350)
    run["counts"][:, CO] += np.where(run["time_s"] > 360, 2500.0, 0.0)
    result = analysed(run)
    assert len(result.regimes) == 2
    assert result.endpoint.verdict == "not reached"
    assert "come back" in result.endpoint.reason


def test_an_end_stays_where_power_changes_after_it_unless_more_comes_then():
    """Ratios are other ones from there, so that their own level counts."""
    run = cleaning_counts(600, seed=4, power_at=330)
    assert analysed(run).endpoint.verdict == "reached"
    run["counts"][:, CO] += np.where(run["time_s"] > 420, 2500.0, 0.0)
    assert analysed(run).endpoint.verdict == "not reached"


def test_another_run_after_the_end_of_the_first_is_no_end():
    """Light and contaminants at once, hours later: another part, or two runs in one folder."""
    one, other = cleaning_counts(300, seed=4), cleaning_counts(60, seed=6)
    for name in ("counts", "total_counts", "continuum_counts"):
        other[name] = other[name] * 2.0
    run = {name: np.concatenate([part, other[name]]) for name, part in one.items()}
    run["time_s"][300:] += 9000.0
    result = analysed(run)
    assert result.endpoint.verdict != "reached"  # before: reached, by the first
    assert "contaminant came back" in [a.kind for a in result.alarms]


def test_an_end_in_doubt_is_told_with_its_doubt():
    """The slow half hides until the fast one has ended."""
    t = np.arange(900.0)
    y = np.exp(-t / 15) + np.where(t > 90, 0.25 * np.exp(-(t - 90) / 300), 0.25)
    said = judge_series(t, y + 0.01 * np.random.default_rng(2).standard_normal(900))
    first = next(e for e in said if e.verdict == "reached")
    assert "fell to its floor" in first.reason
    assert said[800].verdict == "reached"
    assert "later frames put that in doubt" in said[800].reason  # before: 'fell to its floor: 7 % ... is left'
    assert "fell to its floor" not in said[800].reason


@pytest.mark.parametrize("seed", range(4))
def test_a_floor_that_a_neighbour_pulls_below_zero_does_not_bend_the_decay(seed):
    t = np.arange(300.0)
    y = np.exp(-t / 40) - 0.06 + 0.01 * np.random.default_rng(seed).standard_normal(300)
    end = judge_series(t, y)[-1]
    assert end.verdict == "reached"
    assert end.interval_s[0] <= 40 * np.log(20) <= end.interval_s[1]  # before: the floor was held at zero


def test_a_faint_decay_of_a_species_with_lines_of_its_own_holds_up_the_end():
    """CO of some ten standard deviations, slower than the others."""
    rng = np.random.default_rng(8)
    run = cleaning_counts(200, seed=8)
    run["counts"][:, CO] = 900 + 1000 * np.exp(-run["time_s"] / 90) + 400 * rng.standard_normal(200)
    run["standard_error"][:, CO] = 400.0
    end = analysed(run).endpoint
    assert end.verdict != "reached"
    assert end.indicator == "CO/Ar I"


@pytest.mark.parametrize("seed", range(3))
def test_first_frames_too_bright_to_be_used_do_not_move_the_end(seed):
    """Three of the first frames; the end had come out later by as many seconds."""
    run = cleaning_counts(260, seed=seed, tau_s=20.0)
    run["saturated"][:3] = True
    run["counts"][:3] *= 0.7
    end = analysed(run).endpoint
    assert end.interval_s[0] <= 20 * np.log(20) <= end.interval_s[1]
    assert end.time_s == pytest.approx(20 * np.log(20), rel=0.03)


def test_a_pause_while_the_reference_is_chosen_anew_is_survived():
    """The gas is changed twice within a few frames, and the plasma goes out some frames later and burns again."""
    run = cleaning_counts(200, seed=2, out=slice(72, 100))
    argon, oxygen = NAMES.index("Ar I"), NAMES.index("O I")
    run["counts"][60:66, argon] *= 0.005
    run["counts"][60:66, oxygen] *= 2.5
    end = analysed(run).endpoint  # raised ValueError: frames from before the pause were put behind it
    assert end.reason


@pytest.mark.parametrize("dark", [7, 8, 9])
def test_frames_from_before_the_plasma_was_lit_are_no_part_of_the_decay(dark):
    """What is measured in darkness, over darkness, had been judged after the cut."""
    run = cleaning_counts(260, seed=dark, out=slice(0, dark), tau_s=30.0)
    run["counts"][:dark, NAMES.index("Ar I")] = 150.0  # some three standard errors: a ratio is formed
    run["counts"][:dark, CO] = 120.0
    result = analysed(run)
    lit = [r for r in result.regimes if "plasma lit" in r.why]
    assert len(lit) == 1
    assert dark - 2 <= lit[0].start_s <= dark
    end = dark + 30 * np.log(20)
    assert result.endpoint.interval_s[0] <= end <= result.endpoint.interval_s[1]
