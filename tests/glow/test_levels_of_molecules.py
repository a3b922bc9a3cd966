"""Which upper levels of a molecule the fit knows: light of others is taken for something else."""

from dataclasses import replace

import glow_emission
import pytest
from glow_instrument import Instrument
from glow_simulator import simulate

from glowledger.glow.band_emitters import band_emitters
from glowledger.glow.identifying import identify_frame
from glowledger.spectra.frames import frames_from_arrays
from glowledger.tables.species import find_species

# heads of the tail bands of N2+ B-X, nm: Pearse & Gaydon, Identification of Molecular Spectra (1976), from memory
TAIL_BANDS = {(2, 3): 419.91, (3, 4): 416.68, (4, 5): 414.05}
FINE = Instrument(pixels=2048, range_nm=(350.0, 850.0), fwhm_nm=(1.1, 1.1), bend=(0.0, 0.0), tail=0.0, wing=0.0)


def seen(mixture, seed):
    counts, nm, _ = simulate(mixture, FINE, seed, background_share=0.02, whole=True)
    return {one.name: one for one in identify_frame(frames_from_arrays(nm, counts)).species}


@pytest.mark.parametrize("band", TAIL_BANDS)
def test_nitrogen_ions_have_the_levels_that_helium_fills(band):
    ion = find_species(("N2+",))[0]
    at = {label: nm for e in band_emitters(ion, 500.0) for label, nm in zip(e.anchor_label, e.anchor_nm, strict=True)}
    assert at[f"N2+ B-X ({band[0]},{band[1]})"] == pytest.approx(TAIL_BANDS[band], abs=0.5)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_high_levels_of_nitrogen_ions_in_helium_are_no_silicone_and_no_carbon(seed, monkeypatch):
    """Charge transfer and Penning ionisation by helium fill v' = 3 and 4 of N2+ B as well (common practice, no source).

    Their bands at 417 and 414 nm lie on those of SiH, those at 383 to 386 nm on CN.
    """
    monkeypatch.setitem(glow_emission.T_VIB, "N2+ first negative", 6000.0)
    found = seen({"He I": 3e7, "N2+": 1.5e7, "N2": 1e6}, seed)
    assert found["N2+"].verdict == "present", found["N2+"].reason
    for name in ("SiH", "CN", "CO+"):
        assert found[name].verdict not in ("present", "possible"), found[name].reason


@pytest.mark.parametrize("seed", [1, 2])
def test_hydrocarbon_is_known_without_the_level_that_falls_apart(seed, monkeypatch):
    """Level v'=1 of CH B breaks up before it shines: Herzberg & Johns, Astrophys. J. 158, 399 (1969), from memory."""
    monkeypatch.setitem(glow_emission.T_VIB, "CH B-X", 300.0)
    sharp = Instrument(pixels=4000, range_nm=(300.0, 700.0), fwhm_nm=(0.4, 0.4), bend=(0.0, 0.0), tail=0.0, wing=0.0)
    counts, nm, _ = simulate({"N2": 2e7, "CH": 2e6, "H I": 2e6}, sharp, seed, background_share=0.02, whole=True)
    found = {one.name: one for one in identify_frame(frames_from_arrays(nm, counts)).species}
    assert found["CH"].verdict == "present", found["CH"].reason


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_helium_lights_nitrogen_ions_without_nitrogen(seed):
    """Penning ionisation starts from nitrogen in its ground state, which does not glow (common practice, no source)."""
    coarse = Instrument(pixels=512, range_nm=(350.0, 850.0), fwhm_nm=(3.0, 3.0), bend=(0.0, 0.0), tail=0.0, wing=0.0)
    counts, nm, _ = simulate({"He I": 3e6, "N2+": 1e5}, coarse, seed, background_share=0.02)
    found = {one.name: one for one in identify_frame(frames_from_arrays(nm, counts)).species}
    assert found["N2+"].verdict in ("present", "possible")
    assert "which it comes from" not in found["N2+"].reason


@pytest.mark.parametrize("seed", [1, 2, 3, 5])
def test_carbon_monoxide_is_found_in_the_ultraviolet_alone(seed):
    """Its third positive bands stand beside those of nitrogen, which must not take their light at a shifted axis."""
    bench = Instrument(pixels=2048, range_nm=(200.0, 400.0), fwhm_nm=(0.45, 0.45), bend=(0.0, 0.0), tail=0.0, wing=0.0)
    counts, nm, _ = simulate({"CO": 3e7, "CO+": 3e6}, bench, seed, background_share=0.02, whole=True)
    fit = identify_frame(frames_from_arrays(nm, counts))
    found = {one.name: one for one in fit.species}
    assert found["CO"].verdict == "present", found["CO"].reason
    assert found["N2"].verdict != "present"
    assert found["Ne I"].verdict != "present"
    assert fit.fwhm_nm == pytest.approx(0.45, rel=0.25)


@pytest.mark.parametrize(("kelvin", "seed"), [(6500.0, 0), (6500.0, 2), (1500.0, 0), (1500.0, 1)])
def test_high_levels_of_nitrogen_ions_are_fitted_where_they_shine(kelvin, seed, monkeypatch):
    """In discharges strong enough they shine without helium: left out, N2+ errs by a tenth and SiH takes its light."""
    monkeypatch.setitem(glow_emission.T_VIB, "N2+ first negative", kelvin)
    wide = replace(FINE, range_nm=(200.0, 850.0), fwhm_nm=(1.3, 1.5))
    counts, nm, _ = simulate({"N2": 2e7, "N2+": 3e7, "O I": 2e6}, wide, seed, whole=True)
    fit = identify_frame(frames_from_arrays(nm, counts))
    assert ("N2+ B-X v'=3" in fit.emitter_labels) == (kelvin > 5000.0)
    assert fit.chi2_reduced < 1.5
