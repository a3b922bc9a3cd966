import numpy as np
import pytest
from numpy.testing import assert_allclose

from glowledger.errors import RunError
from glowledger.glow.results import SeriesFit
from glowledger.runs import ratios
from glowledger.runs.analysing import analyse_run


def test_error_of_a_ratio_of_strong_numbers_is_that_of_error_propagation():
    # JCGM 100:2008 (GUM), 5.1.2 and 5.2.2: relative variances add, less twice the relative covariance
    value, error = ratios.ratio(np.array([300.0]), np.array([6.0]), np.array([5e4]), np.array([50.0]))
    assert_allclose(value, 300 / 5e4)
    assert_allclose(error / value, np.hypot(6 / 300, 50 / 5e4), rtol=1e-4)
    _, common = ratios.ratio(np.array([3e4]), np.array([300.0]), np.array([5e4]), np.array([500.0]), 0.9 * 300 * 500)
    assert_allclose(common / 0.6, np.sqrt(2 * 0.01**2 * (1 - 0.9)), rtol=1e-3)


def test_interval_of_a_ratio_with_a_weak_reference_is_the_one_of_fieller():
    # E. C. Fieller 1954, limits of (a/b) with independent errors, 68.27 % (z = 1), written out as the roots of
    # (a - m b)^2 = z^2 (sa^2 + m^2 sb^2)
    a, sa, b, sb = 40.0, 9.0, 60.0, 14.0
    roots = np.roots([b**2 - sb**2, -2 * a * b, a**2 - sa**2])
    _, error = ratios.ratio(np.array([a]), np.array([sa]), np.array([b]), np.array([sb]))
    assert_allclose(error, [abs(roots[0] - roots[1]) / 2], rtol=1e-9)


def test_no_ratio_is_formed_with_a_reference_that_may_be_zero():
    value, error = ratios.ratio(np.array([5.0]), np.array([1.0]), np.array([2.0]), np.array([1.0]))
    assert np.isnan(value[0])
    assert np.isnan(error[0])


def test_negative_contaminants_keep_their_sign():
    value, _ = ratios.ratio(np.array([-5.0]), np.array([10.0]), np.array([2000.0]), np.array([10.0]))
    assert value[0] < 0


@pytest.mark.parametrize(
    ("strengths", "expected", "passed"),
    [
        ((50, 80, 80, 80, 0), "Ar I", ()),
        ((5, 80, 80, 80, 0), "O I", ("Ar I",)),
        ((5, 5, 80, 80, 0), "N2", ("Ar I", "O I")),
        ((5, 5, 5, 80, 0), "He I", ("Ar I",)),
        ((5, 80, 80, 20, 70), "O I", ("Ar I",)),
        ((5, 80, 80, 20, 9000), "Xe I", ("Ar I",)),
        ((5, 20, 20, 9000, 70), "He I", ("Ar I",)),
        ((5, 20, 9000, 70, 0), "N2", ("Ar I",)),
        ((5, 900, 9000, 70, 0), "O I", ("Ar I",)),
        ((5, 5, 5, 5, 5), "total light", ("Ar I", "O I", "N2", "He I", "Xe I")),
    ],
)
def test_reference_is_argon_then_the_gas_that_is_fed_then_all_light(strengths, expected, passed):
    """Helium was passed over for a trace of oxygen, of water: it fell with the hydrogen that was divided by it.

    Order: common practice (Coburn & Chen, J. Appl. Phys. 51, 3134 (1980) for argon), no source for the rest.
    """
    names = ("Ar I", "O I", "N2", "He I", "Xe I", "CO")
    counts = np.tile(np.array([*strengths, 30.0]), (10, 1)).astype(float)
    chosen = ratios.choose_reference(names, counts, np.ones_like(counts))
    assert chosen.name == expected
    assert all(f"{name} (" in chosen.reason for name in passed)  # it says why none of the better ones was taken


@pytest.mark.parametrize(
    ("lines", "expected"), [((400.0, 150.0, 60.0), "H2"), ((60.0, 40.0, 2000.0), "Ne I")], ids=["feed", "trace"]
)
def test_hydrogen_is_divided_by_where_it_gives_most_of_the_light(lines, expected):
    """As the feed it is the process gas; as a trace in neon it is what comes off."""
    names = ("H I", "H2", "Ne I", "CH")
    counts = np.tile(np.array([*lines, 30.0]), (10, 1))
    assert ratios.choose_reference(names, counts, np.ones_like(counts)).name == expected


def test_hydrogen_lines_are_no_contaminant_in_hydrogen():
    names = ("H I", "H2", "CH")
    rng = np.random.default_rng(1)
    t = np.arange(300.0)
    counts = np.column_stack([30000 + 0 * t, 12000 + 0 * t, 200 + 3000 * np.exp(-t / 40)])
    counts += np.sqrt(counts) * rng.standard_normal(counts.shape)
    total = counts.sum(axis=1)
    plain = {name: np.zeros(300) for name in ("continuum_counts", "shift_nm")}
    result = analyse_run(
        SeriesFit(
            species_names=names, counts=counts, standard_error=np.sqrt(counts), time_s=t, total_counts=total,
            total_error=np.sqrt(total), chi2_reduced=np.ones(300), saturated=np.zeros(300, dtype=bool),
            exposure_s=np.ones(300), **plain,
        )
    )  # fmt: skip
    assert result.reference == "H2"
    assert [one.name for one in result.indicators] == ["CH/H2"]
    assert result.endpoint.verdict == "reached"  # before: 'not reached', by H I over total light


def test_a_gas_that_may_be_a_misfit_is_no_reference():
    names = ("Ar I", "O I", "CO")
    counts = np.tile(np.array([60.0, 50.0, 30.0]), (10, 1))
    assert ratios.choose_reference(names, counts, np.ones_like(counts), present=("O I", "CO")).name == "O I"
    assert ratios.choose_reference(names, counts, np.ones_like(counts), "Ar I", present=("O I",)).name == "Ar I"


def test_a_reference_that_was_not_fitted_is_refused_with_the_choice():
    with pytest.raises(RunError, match="Kr I") as caught:
        ratios.choose_reference(("Ar I",), np.ones((3, 1)), np.ones((3, 1)), "Kr I")
    assert "Ar I" in caught.value.mend
