"""Air against vacuum wavelengths, checked with published formulae and a general-purpose library."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from glowledger.tables.air import air_from_vacuum, density_factor, refractivity, vacuum_from_air


def test_air_wavelengths_agree_with_specutils():
    # Ciddor, Appl. Opt. 35, 1566 (1996), as in specutils; tolerance: 1/100 of the last digit of our tables.
    u = pytest.importorskip("astropy.units")
    from specutils.utils.wcs_utils import vac_to_air

    vacuum_nm = np.array([200.5, 253.7283, 404.7708, 546.2268, 656.4614, 912.5471, 1099.9])
    theirs = vac_to_air(vacuum_nm * u.nm, method="Ciddor1996").to_value(u.nm)
    assert_allclose(air_from_vacuum(vacuum_nm), theirs, rtol=0, atol=1e-7)


def test_other_published_dispersion_formulae_agree_to_a_ten_thousandth_nm():
    # Morton 2000 and Peck & Reeder 1972 (used by NIST ASD above 200 nm), as in specutils; they were fitted to
    # other data than Ciddor's: agreement within 1e-4 nm is what their stated accuracy (about 1e-8 in n) and
    # the CO2 content (300 against 450 ppm: 1e-8) leave.
    u = pytest.importorskip("astropy.units")
    from specutils.utils.wcs_utils import vac_to_air

    vacuum_nm = np.linspace(210.0, 1100.0, 90)
    for method in ("Morton2000", "PeckReeder1972", "Edlen1953"):
        theirs = vac_to_air(vacuum_nm * u.nm, method=method).to_value(u.nm)
        assert_allclose(air_from_vacuum(vacuum_nm), theirs, rtol=0, atol=1e-4)


@pytest.mark.parametrize(
    ("nm", "expected"),
    [
        (589.3, 2.771473e-4),
        (253.7, 3.00488e-4),
        (404.7, 2.82514e-4),
        (656.5, 2.76250e-4),
        (1014.0, 2.74123e-4),
    ],
)
def test_refractivity_of_standard_air(nm, expected):
    # Ciddor 1996, eq. 1, worked by hand from the printed coefficients; one unit of the last digit.
    assert_allclose(refractivity(nm), expected, rtol=0, atol=1e-9)


def test_edlen_1966_agrees_within_its_accuracy():
    # Edlén, Metrologia 2, 71 (1966): n - 1 = 2.771341e-4 at 589.3 nm, for 300 ppm CO2; Ciddor's air holds
    # 450 ppm, which adds 2.2e-8 (5.3e-7 of n - 1 per ppm).
    assert_allclose(refractivity(589.3), 2.771341e-4, rtol=0, atol=3e-8)


def test_published_pairs_of_air_and_vacuum():
    # NIST ASD (doi 10.18434/T4W30F), from memory: Hg 546.0750/546.2268, H alpha centroid 656.279/656.461,
    # Ar 811.5311/811.7542, O 777.1944/777.4083; tolerance: half the last digit each.
    air = [546.0750, 811.5311, 777.1944]
    vacuum = [546.2268, 811.7542, 777.4083]
    assert_allclose(vacuum_from_air(air), vacuum, rtol=0, atol=1.1e-4)


def test_room_air_follows_birch_and_downs():
    # Birch & Downs, Metrologia 30, 155 (1993) and 31, 315 (1994), from memory: the density term at 20 °C,
    # 100 kPa relative to 15 °C, 101325 Pa is (100000/101325) * (288.15/293.15) for an ideal gas; real air
    # departs by under 1e-4.
    assert_allclose(density_factor(20.0, 100000.0), 100000 / 101325 * 288.15 / 293.15, rtol=2e-4)
    assert_allclose(density_factor(), 1.0, rtol=1e-15)


@given(st.floats(min_value=185.0, max_value=2000.0), st.floats(0.0, 40.0), st.floats(5e4, 1.1e5))
def test_there_and_back(nm, temperature_c, pressure_pa):
    room = {"temperature_c": temperature_c, "pressure_pa": pressure_pa}
    assert_allclose(vacuum_from_air(air_from_vacuum(nm, **room), **room), nm, rtol=4e-16 * 4)


def test_shapes_and_unknown_values_are_kept():
    for shape in ((), (3,), (2, 3), (0,)):
        assert air_from_vacuum(np.full(shape, 500.0)).shape == shape
    assert np.isnan(vacuum_from_air([500.0, np.nan])).tolist() == [False, True]


def test_air_wavelengths_are_shorter():
    vacuum = np.linspace(190, 1100, 50)
    assert np.all(air_from_vacuum(vacuum) < vacuum)
