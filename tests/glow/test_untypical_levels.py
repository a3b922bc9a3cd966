"""What is typical of a level is no proof of another species where it shines a hundred times as bright."""

import numpy as np
import pytest
from glow_instrument import random_instrument
from glow_scenarios import scenario
from glow_simulator import simulate

from glowledger.glow.identifying import identify, identify_frame
from glowledger.glow.untypical_levels import MOST_TYPICAL, cost, sure_levels, yielding
from glowledger.spectra.frames import frames_from_arrays


def xenon(number):
    """A xenon glow whose lines near 419 nm are seventy times as bright as typical."""
    rng = np.random.RandomState([910401, 5, number])
    bench = random_instrument(rng)
    kind = scenario("xenon")
    share = float(np.exp(rng.uniform(*np.log(kind.background))))
    photons = 2e7 * float(np.exp(rng.uniform(-2.0, 0.5))) / bench.counts_per_e
    counts, nm, _ = simulate(kind.draw(rng, photons), bench, rng, background_share=share, whole=True)
    return frames_from_arrays(nm, counts)


@pytest.mark.parametrize(("number", "name"), [(4, "CN"), (5, "SiH")])
def test_light_of_an_untypical_level_is_not_given_to_a_molecule(number, name):
    one = next(e for e in identify_frame(xenon(number)).species if e.name == name)
    assert one.verdict != "present", one.reason


def test_no_level_costs_more_than_three_sigma_for_being_untypical():
    found = identify(xenon(4))
    scene, solution = found.scene, found.solution
    own, normal = scene.columns_of("Xe I"), solution.normal
    bright = sure_levels(scene, normal, solution.x)
    assert bright[own].all()
    assert not bright[scene.columns_of("Ti I")].any()
    for k in (own[3], own[20]):
        one = np.zeros(solution.x.size)
        one[k] = normal.tie_rhs[k] / normal.tie[k]  # as is typical
        usual = cost(normal, one, bright) - normal.misfit(one)
        assert usual == pytest.approx(0.0, abs=1e-9)
        one[k] *= 1e4
        data = float(one @ normal.gram @ one - 2 * normal.rhs @ one)
        offset = float(normal.tie_rhs[k] ** 2 / normal.tie[k])
        assert cost(normal, one, bright) - data + offset == pytest.approx(MOST_TYPICAL, rel=0.01)


def test_amounts_that_yield_cost_less():
    found = identify(xenon(4))
    scene, solution = found.scene, found.solution
    normal, bright = solution.normal, sure_levels(scene, solution.normal, solution.x)
    dropped = scene.columns_of("CN")
    keep = np.ones(solution.x.size, dtype=bool)
    keep[dropped] = False
    by_squares = normal.solve(keep)
    found_so = yielding(normal, by_squares, bright, dropped)
    assert np.all(found_so[dropped] == 0)
    assert cost(normal, found_so, bright) < cost(normal, by_squares, bright)
