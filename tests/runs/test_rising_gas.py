"""Gases that come in slowly are told, and nothing else is: invented counts, numpy only."""

import json
from dataclasses import replace

import numpy as np
import pytest
from run_counts import NAMES, cleaning_counts

from glowledger.glow.results import SeriesFit
from glowledger.runs.analysing import analyse_run
from glowledger.runs.following import RunFollower
from glowledger.runs.frame_counts import frame_of
from glowledger.runs.run_options import RunOptions

NITROGEN, OXYGEN, HYDROGEN = (NAMES.index(name) for name in ("N2", "O I", "H I"))


def with_light(of, factor, seed=1, **events):
    """Return a run in which the light of one species is multiplied by a factor per frame."""
    made = SeriesFit(species_names=NAMES, **cleaning_counts(len(factor), seed=seed, **events))
    counts, error = np.array(made.counts), np.array(made.standard_error)
    added = counts[:, of] * (factor - 1.0)
    counts[:, of] += added
    error[:, of] = np.sqrt(error[:, of] ** 2 + np.abs(added))
    return replace(made, counts=counts, standard_error=error, total_counts=made.total_counts + added)


def rising(made, options=None):
    return [a for a in analyse_run(made, options).alarms if a.kind in ("possible air leak", "O I rising", "N2 rising")]


@pytest.mark.parametrize("tau", [30.0, 80.0])
def test_a_leak_that_opens_slowly_is_told_while_it_opens(tau):
    t = np.arange(300.0)
    opening = np.where(t > 100, 1 - np.exp(-(t - 100) / tau), 0.0)
    told = rising(with_light(NITROGEN, 1.0 + 4.0 * opening))
    assert [a.kind for a in told] == ["possible air leak"]
    doubled = 100 - tau * np.log(1 - 0.25)  # where N2 is twice what it was, by the formula above
    assert doubled <= told[0].time_s < doubled + 40
    assert "N2" in told[0].text


def test_other_gases_are_told_by_their_names():
    t = np.arange(300.0)
    told = rising(with_light(OXYGEN, 1.0 + 2.0 * np.clip((t - 60) / 150, 0, 1)))
    assert [a.kind for a in told] == ["O I rising"]


@pytest.mark.parametrize("seed", range(6))
def test_nothing_is_told_of_what_wanders_flickers_or_doubles_for_a_moment(seed):
    rng = np.random.default_rng(seed)
    t = np.arange(300.0)
    walk = np.cumsum(rng.standard_normal(300)) * 0.03
    wander = np.exp(0.35 * np.tanh(walk - walk[0])) * np.exp(0.1 * rng.standard_normal(300))
    wander[np.abs(t - 150) < 3] *= 3.0
    assert not rising(with_light(NITROGEN, wander, seed=seed, flashes=(40, 90)))


def test_contaminants_and_what_is_not_certain_to_glow_are_none_of_these():
    t = np.arange(300.0)
    ramp = 1.0 + 5.0 * np.clip((t - 60) / 150, 0, 1)
    assert not rising(with_light(HYDROGEN, ramp))
    assert not rising(with_light(NITROGEN, ramp), RunOptions(present=("Ar I", "O I", "CO"), candidates=("Ar I", "CO")))


def test_what_stepped_and_was_told_is_not_told_again():
    kinds = [a.kind for a in analyse_run(SeriesFit(species_names=NAMES, **cleaning_counts(300, lamp_at=100))).alarms]
    assert "lamp or room light" in kinds
    assert "Hg I rising" not in kinds


def test_levels_of_other_conditions_are_not_compared():
    t = np.arange(300.0)
    made = with_light(NITROGEN, np.where(t >= 120, 3.0, 1.0), power_at=120)
    assert "possible air leak" not in [a.kind for a in analyse_run(made).alarms if a.time_s > 140]


def test_a_restart_forgets_no_level():
    t = np.arange(200.0)
    made = with_light(NITROGEN, 1.0 + 4.0 * np.clip((t - 60) / 100, 0, 1))
    whole, first = (RunFollower(species_names=NAMES, options=RunOptions()) for _ in range(2))
    for i in range(200):
        whole.update(frame_of(made, i))
    for i in range(90):
        first.update(frame_of(made, i))
    again = RunFollower.from_dict(json.loads(json.dumps(first.to_dict())), RunOptions())
    for i in range(90, 200):
        again.update(frame_of(made, i))
    assert [(a.kind, a.time_s) for a in again.log.alarms] == [(a.kind, a.time_s) for a in whole.log.alarms]
    assert "possible air leak" in [a.kind for a in whole.log.alarms]
