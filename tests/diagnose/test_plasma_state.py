"""Formulas of the plasma's state against worked examples and general-purpose libraries."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from glowledger.bench.model import Response
from glowledger.diagnose.actinometry import (
    PAIRS,
    actinometry,
    actinometry_constant,
    branching_with_quenching,
)
from glowledger.diagnose.boltzmann import argon_excitation, boltzmann_plot, mcwhirter_density
from glowledger.diagnose.line_width import (
    density_of_stark,
    doppler_fwhm,
    hbeta_density,
    lorentz_part,
    stark_fwhm,
    voigt_fwhm,
)
from glowledger.diagnose.nitrogen import field_indicator, gas_temperature
from glowledger.diagnose.plasma_state import plasma_state
from glowledger.diagnose.rate_constants import parse_rates
from glowledger.diagnose.state import StateReading, ratio_of
from glowledger.errors import TableError
from glowledger.glow.results import Fit, SpeciesEvidence, Temperature

# Ar I 4p lines: nm (air), A 1e7/s, g_upper, E_upper eV. NIST ASD (Kramida, Ralchenko, Reader and NIST ASD
# Team, doi 10.18434/T4W30F), A to the digits used in the worked example below.
ARGON = np.array(
    [
        [696.543, 0.64, 3, 13.3279],
        [706.722, 0.380, 5, 13.3022],
        [738.398, 0.85, 5, 13.3022],
        [750.387, 4.5, 1, 13.4799],
        [763.511, 2.45, 5, 13.1718],
        [794.818, 1.86, 3, 13.2826],
        [801.479, 0.93, 5, 13.0949],
        [826.452, 1.53, 3, 13.3279],
        [842.465, 2.15, 5, 13.0949],
        [811.531, 3.3, 7, 13.0757],
    ]
)
# Power relative to 811.531 of the same lines for Boltzmann populations: worked by hand from I ∝ (gA/λ)
# exp(-E/kT), printed to four decimals.
WORKED = {
    5000.0: [0.0539, 0.0558, 0.1195, 0.0825, 0.4510, 0.1526, 0.1950, 0.1087, 0.4288, 1.0],
    8000.0: [0.0672, None, 0.1456, 0.1172, 0.4903, None, None, None, 0.4360, 1.0],
}


@pytest.mark.parametrize("kelvin", [5000.0, 8000.0])
def test_boltzmann_plot_returns_the_temperature_of_the_worked_example(kelvin):
    known = np.array([value is not None for value in WORKED[kelvin]])
    intensity = np.array([value for value in WORKED[kelvin] if value is not None])
    nm, a, g, energy = ARGON[known].T
    plot = boltzmann_plot(intensity, 0.005 * intensity, nm, g * a * 1e7, energy)
    assert plot.kelvin == pytest.approx(kelvin, rel=0.005)
    assert plot.interval_k[0] < kelvin < plot.interval_k[1]


def test_boltzmann_plot_is_exact_for_boltzmann_populations_in_both_units():
    nm, a, g, energy = ARGON.T
    photons = g * a * np.exp(-energy / (8.617333262e-5 * 6200.0))
    for units, intensity in (("photons", photons), ("power", photons / nm)):
        plot = boltzmann_plot(intensity, 0.01 * intensity, nm, g * a, energy, units=units)
        assert plot.kelvin == pytest.approx(6200.0, rel=1e-9)


def test_slope_and_its_error_agree_with_numpy():
    # Same weighted straight line through numpy.polyfit with unscaled covariance.
    generator = np.random.default_rng(2)
    nm, a, g, energy = ARGON.T
    error = generator.uniform(0.02, 0.2, nm.size)
    intensity = g * a * np.exp(-energy / 0.45 + generator.normal(0, error))
    plot = boltzmann_plot(intensity, error * intensity, nm, g * a, energy, units="photons")
    (slope, _), covariance = np.polyfit(energy, np.log(intensity / (g * a)), 1, w=1 / error, cov="unscaled")
    assert plot.kelvin == pytest.approx(-1 / (8.617333262e-5 * slope), rel=1e-9)
    wanted = plot.kelvin**2 * 8.617333262e-5 * np.sqrt(covariance[0, 0]) * max(1, plot.chi2_reduced) ** 0.5
    assert plot.standard_error_k == pytest.approx(wanted, rel=1e-9)


def test_intervals_of_the_boltzmann_plot_cover():
    # 600 noisy plots of a known temperature: the 95 % interval must hold it in 93-98 %.
    generator = np.random.default_rng(4)
    nm, a, g, energy = ARGON.T
    clean = g * a * np.exp(-energy / (8.617333262e-5 * 7000.0))
    error = np.full(nm.size, 0.05)
    hits = 0
    for _ in range(600):
        noisy = clean * np.exp(generator.normal(0, error))
        low, high = boltzmann_plot(noisy, error * noisy, nm, g * a, energy, units="photons").interval_k
        hits += low < 7000.0 < high
    assert stats.binomtest(hits, 600, 0.95).proportion_ci(0.99).high > 0.94
    assert 0.93 <= hits / 600 <= 0.985


def test_two_lines_at_ten_percent_leave_fifteen_percent():
    # Ar 4p 13.08 to 13.48 eV, 5000 K, 10 % each: σ_T/T = kT/ΔE · √2 · 0.1 = 15 % (Griem 1997, from memory).
    nm, a, g, energy = ARGON[[3, 9, 9]].T
    energy = energy.copy()
    intensity = g * a * np.exp(-energy / (8.617333262e-5 * 5000.0))
    error = np.array([0.1, 0.1 * np.sqrt(2), 0.1 * np.sqrt(2)]) * intensity  # the second line twice
    plot = boltzmann_plot(intensity, error, nm, g * a, energy, units="photons")
    assert plot.standard_error_k / plot.kelvin == pytest.approx(0.15, abs=0.01)


def test_mcwhirter_limit():
    # 1.6e12 √T ΔE³ cm^-3 (McWhirter 1965): 2.4e17 cm^-3 at 1e4 K and 11.5 eV.
    assert mcwhirter_density(1e4, 11.5) == pytest.approx(2.4e23, rel=0.02)


def test_fieller_interval_agrees_with_its_definition():
    # Fieller 1954: at both ends of the interval, |top - ρ bottom| is 1.96 standard errors of itself.
    ratio = ratio_of(30.0, 100.0, 9.0, 16.0, 4.0)
    for end in ratio.interval:
        away = abs(30.0 - end * 100.0) / np.sqrt(9.0 + end**2 * 16.0 - 2 * end * 4.0)
        assert away == pytest.approx(1.959964, rel=1e-9)
    assert ratio.value == pytest.approx(0.3)
    assert ratio_of(30.0, 3.0, 9.0, 9.0).interval[1] == np.inf
    low, high = ratio_of(30.0, 3.0, 9.0, 9.0).interval
    assert 0 < low < 10 < high
    assert ratio_of(-5.0, 100.0, 9.0, 16.0).interval == (0.0, pytest.approx(0.009, abs=0.002))


def test_fieller_interval_covers():
    generator = np.random.default_rng(8)
    hits = 0
    for _ in range(2000):
        top, bottom = generator.normal(20.0, 6.0), generator.normal(12.0, 4.0)
        low, high = ratio_of(top, bottom, 36.0, 16.0).interval
        hits += low <= 20.0 / 12.0 <= high
    assert hits / 2000 == pytest.approx(0.955, abs=0.02)  # a floor at zero can only add


def test_actinometry_constant_is_coburn_and_chens():
    # Coburn & Chen 1980: n_X/n_Ar = K I_X/I_Ar. Forward: I = S k a n n_e (photons) or /λ (power).
    n_x, n_ar = 3.0e19, 1.0e20
    response, rate, branching = (0.7, 0.9), (2.0e-17, 1.1e-17), (0.8, 0.95)
    photons = [s * k * a * n for s, k, a, n in zip(response, rate, branching, (n_x, n_ar), strict=True)]
    lines = (844.636, 750.387)
    k_photons = actinometry_constant(lines, response, rate, branching)
    assert k_photons * photons[0] / photons[1] == pytest.approx(n_x / n_ar)
    power = [i / nm for i, nm in zip(photons, lines, strict=True)]
    k_power = actinometry_constant(lines, response, rate, branching, photons=False)
    assert k_power * power[0] / power[1] == pytest.approx(n_x / n_ar)


def test_quenching_of_oxygen_at_one_torr_takes_about_half():
    # O 3p3P by O2: 9.4e-10 cm³/s against A = 3.22e7/s; 3.22e22 m^-3 at 1 Torr and 300 K (from memory): about
    # half of the excited atoms are lost at 1 Torr, 9 % at 0.1 Torr.
    assert branching_with_quenching(3.22e7, 3.22e7) == 1.0
    assert branching_with_quenching(3.22e7, 3.22e7, [(9.4e-16, 3.22e22)]) == pytest.approx(0.515, abs=0.01)
    assert branching_with_quenching(3.22e7, 3.22e7, [(9.4e-16, 3.22e21)]) == pytest.approx(0.91, abs=0.01)


def test_stark_width_of_hbeta():
    # Gigosos et al. 2003 by definition at 1e23 m^-3; round trip; two decades below.
    assert stark_fwhm(1e23) == pytest.approx(4.8)
    assert stark_fwhm(1e21) == pytest.approx(4.8 * 10 ** (-2 * 0.68116))
    assert density_of_stark(stark_fwhm(3e21)) == pytest.approx(3e21)


def test_doppler_and_voigt_widths():
    # 7.16e-7 λ √(T/M): H beta at 300 K 0.006 nm (textbook formula). Voigt against scipy's own profile.
    from scipy.optimize import brentq
    from scipy.special import voigt_profile

    assert doppler_fwhm(300.0) == pytest.approx(0.0060, abs=1e-4)
    for gauss, lorentz in ((1.0, 0.1), (1.0, 1.0), (0.3, 2.0)):
        sigma, gamma = gauss / 2.354820, lorentz / 2
        peak = voigt_profile(0, sigma, gamma)
        half = brentq(lambda x, s=sigma, g=gamma, p=peak: voigt_profile(x, s, g) - p / 2, 0, 10)
        assert voigt_fwhm(gauss, lorentz) == pytest.approx(2 * half, rel=5e-4)
        assert lorentz_part(voigt_fwhm(gauss, lorentz), gauss) == pytest.approx(lorentz, rel=1e-9)


def test_cheap_spectrometer_cannot_tell_a_density_from_hbeta():
    # A glow's 1e16 m^-3 widens H beta by 0.0001 nm: nothing at 1.2 nm.
    reading = hbeta_density(1.21, 0.02, 1.2, 0.02)
    assert not reading.told
    assert np.isnan(reading.value)
    assert reading.interval[1] > 1e20
    assert "Cannot tell" in reading.reason


def test_resolved_stark_width_gives_the_density():
    gauss = np.hypot(0.05, doppler_fwhm(500.0))
    reading = hbeta_density(voigt_fwhm(gauss, stark_fwhm(1e22)), 0.01, 0.05, 0.002)
    assert reading.told
    assert reading.value == pytest.approx(1e22, rel=0.01)
    assert reading.interval[0] < 1e22 < reading.interval[1]


# --- from a fit -------------------------------------------------------------------------------------------


def evidence(name, counts, verdict="present"):
    return SpeciesEvidence(
        name=name, verdict=verdict, significance=10.0, share=0.1, counts=counts, standard_error=1.0,
        upper_limit=counts + 2, detection_limit=3.0, features=(), reason="made for a test",
    )  # fmt: skip


def fit_of(amplitudes, relative_error=0.02, temperatures=(), species=()):
    labels, values = zip(*amplitudes.items(), strict=True)
    values = np.array(values, dtype=float)
    axis = np.linspace(300.0, 950.0, 2048)
    return Fit(
        axis_nm=axis, data=axis * 0, model=axis * 0, background=axis * 0, standard_deviation=axis * 0 + 1,
        used=axis > 0, species_model={}, emitter_labels=labels, amplitude=values,
        covariance=np.diag((relative_error * np.abs(values) + 1e-9) ** 2), species=tuple(species),
        shift_nm=0.0, shift_se_nm=0.01, fwhm_nm=1.2, chi2_reduced=1.0, mismatch=0.02,
        temperatures=temperatures,
    )  # fmt: skip


def response_of(slope):
    at = np.linspace(300.0, 1000.0, 30)
    value = np.exp(-slope * (at - 300.0) / 700.0)
    return Response(at_nm=at, value=value, relative_error=np.full(30, 0.03), usable_nm=(400.0, 950.0))


def argon_amplitudes(kelvin, response):
    """Counts per upper level from the test's own list of lines (each level's lines in 690-850 nm)."""
    # further lines of these levels within 300-950 nm (NIST ASD): nm, A 1e7/s, g, E
    more = [
        [727.294, 0.183, 3, 13.3279], [772.421, 1.17, 3, 13.3279], [866.794, 0.243, 3, 13.1531],
        [714.704, 0.0625, 3, 13.2826], [852.144, 1.39, 3, 13.2826], [840.821, 2.23, 5, 13.3022],
        [800.616, 0.490, 5, 13.1718], [922.450, 0.503, 5, 13.1718], [667.728, 0.0236, 1, 13.4799],
        [772.376, 0.518, 3, 13.1531], [810.369, 2.50, 3, 13.1531], [935.422, 0.106, 3, 13.2826],
        [747.117, 0.0022, 3, 13.2826], [867.0, 0.0, 3, 13.1531], [876.1, 0.0, 5, 13.3022],
    ]  # fmt: skip
    total = {}
    for nm, a, g, energy in [*ARGON.tolist(), *more]:
        photons = g * a * 1e7 * np.exp(-energy / (8.617333262e-5 * kelvin)) * response.at(nm)
        key = f"Ar I {energy:.2f} eV"
        total[key] = total.get(key, 0.0) + float(photons)
    scale = 1e5 / max(total.values())
    return {label: value * scale for label, value in total.items()}


def test_argon_excitation_from_a_fit_undoes_the_response():
    response = response_of(2.0)
    fit = fit_of(argon_amplitudes(6000.0, response))
    reading = argon_excitation(fit, response)
    assert reading.told
    assert reading.interval[0] < 6000.0 < reading.interval[1]
    assert reading.value == pytest.approx(6000.0, rel=0.05)
    assert "not the electron temperature" in reading.reason


def test_argon_excitation_is_refused_without_response_or_levels():
    response = response_of(0.0)
    amplitudes = argon_amplitudes(6000.0, response)
    assert not argon_excitation(fit_of(amplitudes), None).told
    faint = dict.fromkeys(amplitudes, 1.0) | {"Ar I 13.48 eV": 100.0}
    reading = argon_excitation(fit_of(faint, relative_error=0.5), response)
    assert not reading.told
    assert "it takes three" in reading.reason


def test_reabsorbed_metastable_lines_are_flagged():
    response = response_of(0.5)
    amplitudes = argon_amplitudes(6000.0, response)
    amplitudes["Ar I 13.08 eV"] *= 0.3
    reading = argon_excitation(fit_of(amplitudes), response)
    assert any("re-absorbed" in caution for caution in reading.cautions)
    assert reading.interval[0] < 6000.0 < reading.interval[1]
    # two more levels off by factors: no single temperature describes them
    amplitudes["Ar I 13.48 eV"] *= 8.0
    amplitudes["Ar I 13.33 eV"] /= 8.0
    scattered = argon_excitation(fit_of(amplitudes), response)
    assert scattered.interval[1] - scattered.interval[0] > 3 * (reading.interval[1] - reading.interval[0])


def test_actinometry_from_a_fit_gives_ratio_and_density_only_with_a_constant():
    fit = fit_of({"O I 10.99 eV": 3000.0, "O I 10.74 eV": 9000.0, "Ar I 13.48 eV": 1500.0})
    reading = actinometry(fit, PAIRS[0])
    assert reading.value == pytest.approx(2.0)
    assert reading.standard_error == pytest.approx(2.0 * np.hypot(0.02, 0.02), rel=1e-6)
    assert "means nothing without" in reading.reason
    absolute = actinometry(fit, PAIRS[0], constant=(0.5, 0.3), argon_share=0.05)
    assert absolute.value == pytest.approx(0.05)
    assert absolute.interval[0] < 0.05 / 1.7
    assert absolute.interval[1] > 0.05 * 1.7
    assert any("factor of about 3" in caution for caution in absolute.cautions)


def test_actinometry_needs_both_lines():
    assert "Ar 750.4" in actinometry(fit_of({"O I 10.99 eV": 3000.0}), PAIRS[0]).reason
    faint = fit_of({"O I 10.99 eV": 10.0, "Ar I 13.48 eV": 1500.0}, relative_error=0.5)
    assert not actinometry(faint, PAIRS[0]).told


def test_field_indicator_is_a_ratio_within_a_run():
    reading = field_indicator(fit_of({"N2+ B-X v'=0": 400.0, "N2 C-B v'=0": 1600.0}))
    assert reading.value == pytest.approx(0.25)
    assert any("within one run" in text or "frames of one run" in text for text in reading.cautions)
    assert not field_indicator(fit_of({"N2+ B-X v'=0": 400.0})).told


@pytest.mark.parametrize("unseen", ["N2", "N2+"])
def test_a_ratio_of_bands_is_no_number_where_one_of_them_is_not_seen(unseen):
    seen = [evidence(name, 1e3, "not seen" if name == unseen else "present") for name in ("N2", "N2+")]
    reading = field_indicator(fit_of({"N2+ B-X v'=0": 400.0, "N2 C-B v'=0": 1600.0}, species=seen))
    assert not reading.told
    assert f"{unseen} is not seen" in reading.reason


def test_nitrogen_without_its_violet_bands_is_no_gas_temperature():
    warm = Temperature(name="T_rot N2", kelvin=400.0, interval_k=(380.0, 420.0), reason="fitted")
    for labels in ({"N2 B-A v'=5": 900.0}, {"N2 B-A v'=5": 900.0, "N2 C-B v'=0": 0.0}):
        reading = plasma_state(fit_of(labels, temperatures=(warm,), species=[evidence("N2", 1e4)]))[0]
        assert reading.name == "rotational temperature of N2"
        assert reading.value == pytest.approx(400.0)
        assert "B-A" in reading.cautions[0]


def test_a_molecule_that_is_not_certain_has_no_temperature():
    warm = Temperature(name="T_rot N2", kelvin=400.0, interval_k=(380.0, 420.0), reason="fitted")
    fit = fit_of({"N2 C-B v'=0": 900.0}, temperatures=(warm,), species=[evidence("N2", 1e4, "possible")])
    assert not plasma_state(fit)[0].told


def test_gas_temperature_scales_with_the_rotational_constants():
    # B_X / B_C = 1.98957 / 1.8149 (Huber & Herzberg 1979, from memory): 300 K reads as T_rot(C) = 274 K.
    warm = Temperature(name="T_rot N2 C-B", kelvin=274.0, interval_k=(250.0, 300.0), reason="fitted")
    fit = fit_of({"N2 C-B v'=0": 1.0}, species=[evidence("N2", 1e4), evidence("Ar I", 1e3)])
    assert gas_temperature(warm, fit).value == pytest.approx(300.0, abs=1.0)
    argon_rich = fit_of({"N2 C-B v'=0": 1.0}, species=[evidence("N2", 1e3), evidence("Ar I", 1e5)])
    assert not gas_temperature(warm, argon_rich).told


def test_plasma_state_lists_only_what_the_gas_allows():
    fit = fit_of(
        {"O I 10.99 eV": 3000.0, "Ar I 13.48 eV": 1500.0},
        species=[evidence("O I", 1e4), evidence("Ar I", 1e4), evidence("N2", 0.0, "not seen")],
    )
    warm = Temperature(name="T_rot N2", kelvin=400.0, interval_k=(380.0, 420.0), reason="fitted")
    nitrogen = fit_of({"N2 C-B v'=0": 900.0}, temperatures=(warm,), species=[evidence("N2", 1e4)])
    assert [r.name for r in plasma_state(nitrogen)] == ["gas temperature from N2 C-B", "N2+/N2 band ratio"]
    names = [reading.name for reading in plasma_state(fit)]
    assert names == ["Ar 4p excitation temperature", "O/Ar actinometry ratio"]


def test_rotation_of_hydroxyl_is_no_gas_temperature_and_keeps_its_interval():
    # A 68 % interval of a factor 1.2 either way is one standard deviation of ln T: 95 % is 1.2 to the power 1.96.
    hot = Temperature(name="T_rot OH", kelvin=900.0, interval_k=(750.0, 1080.0), reason="fitted")
    cold = Temperature(name="T_rot CN", kelvin=np.nan, interval_k=(np.nan, np.nan), reason="cannot tell: too noisy")
    reading, untold = plasma_state(fit_of({"OH A-X v'=0": 1.0}, temperatures=(hot, cold)))
    assert reading.told
    assert "gas temperature" not in reading.name
    assert any("born turning fast" in text for text in reading.cautions)
    assert reading.interval == (pytest.approx(900 / 1.2**1.959964), pytest.approx(900 * 1.2**1.959964))
    assert not untold.told
    assert untold.reason == "Cannot tell: too noisy."


def hydrogen_fit(stark_nm, instrument_nm, noise=0.002):
    """A fit whose H beta is a Voigt line; the model knows the spectrometer's Gauss alone."""
    from scipy.special import voigt_profile

    axis = np.linspace(470.0, 500.0, 3000)
    sigma = instrument_nm / (2 * np.sqrt(2 * np.log(2)))
    line = voigt_profile(axis - 486.135, sigma, 0.0)
    model = 1e4 * line / line.max()
    measured = voigt_profile(axis - 486.135, sigma, stark_nm / 2)
    measured = 1e4 * measured / measured.max() + np.random.default_rng(3).normal(0, noise * 1e4, axis.size)
    return replace(
        fit_of({"H I 12.75 eV": 1e5}, species=[evidence("H I", 1e5)]), axis_nm=axis, data=measured, model=model,
        background=0 * axis, standard_deviation=np.full(axis.size, noise * 1e4), used=axis > 0,
        species_model={"H I": model}, fwhm_nm=instrument_nm,
    )  # fmt: skip


def test_hbeta_as_wide_as_the_spectrometer_makes_it_gives_the_density_it_would_take():
    (reading,) = plasma_state(hydrogen_fit(0.0, 1.2))
    assert reading.name == "electron density from H beta"
    assert not reading.told
    assert "low-pressure glows have" in reading.reason
    # a tenth of the spectrometer's width, as Stark width (Gigosos et al. 2003): what it could see at the very best
    assert reading.interval[1] > density_of_stark(0.12)


def test_hbeta_wider_than_a_fine_spectrometer_gives_a_density_that_holds():
    # 0.3 nm Stark behind 0.05 nm: n_e = 1e23 (0.3/4.8)^(1/0.68116) = 1.7e21 m^-3 (Gigosos et al. 2003, from memory).
    (reading,) = plasma_state(hydrogen_fit(0.3, 0.05))
    assert reading.told
    assert reading.value == pytest.approx(1.7e21, rel=0.25)  # a Gaussian is fitted to a Lorentzian line


def test_hbeta_is_left_out_where_it_cannot_be_measured():
    fit = hydrogen_fit(0.0, 1.2)
    assert plasma_state(replace(fit, used=np.abs(fit.axis_nm - 486.1) > 0.02)) == ()
    assert plasma_state(replace(fit, standard_deviation=np.full(fit.axis_nm.size, 5e3))) == ()
    red = replace(fit, axis_nm=fit.axis_nm + 100)
    assert plasma_state(red) == ()


RATES = """
argon_share = 0.05
[Ar]
rate_m3_s = 1.1e-17
relative_error = 0.2
[O]
rate_m3_s = 2.0e-17
relative_error = 0.3
quenching = [[9.4e-16, 3.2e21]]
"""


def test_rate_constants_of_the_user_make_the_ratio_a_density():
    # Forward by hand: excitations k n, of which a = A / (A + k_q n_q) shine; O 844.6: A = 3.22e7/s, all of its
    # term's light; Ar 750.4: 4.45e7 of 4.47e7/s (NIST ASD). Response 1 at 750 nm and 0.5 at 845 nm.
    at = np.array([600.0, 750.0, 845.0, 950.0])
    response = Response(
        at_nm=at, value=np.array([1.0, 1.0, 0.5, 0.5]), relative_error=np.full(4, 0.1), usable_nm=(600.0, 950.0)
    )
    atoms_per_argon = 0.4
    oxygen = 0.5 * 2.0e-17 * atoms_per_argon * 3.22e7 / (3.22e7 + 9.4e-16 * 3.2e21)
    argon = 1.0 * 1.1e-17
    fit = fit_of(
        {"O I 10.99 eV": 1e4 * oxygen / argon, "Ar I 13.48 eV": 1e4},
        species=[evidence("O I", 1e4), evidence("Ar I", 1e4)],
    )
    rates = parse_rates(RATES)
    reading = plasma_state(fit, response, rates)[1]
    assert reading.value == pytest.approx(0.05 * atoms_per_argon, rel=0.03)
    error = np.sqrt(0.2**2 + 0.3**2 + 2 * 0.1**2 + 2 * 0.02**2)
    assert reading.standard_error == pytest.approx(reading.value * error, rel=0.03)
    assert any("factor of about 3" in text for text in reading.cautions)
    without = plasma_state(fit, None, rates)[1]
    assert "were not used: no response" in without.reason
    assert without.value == pytest.approx(oxygen / argon)


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("argon_share = ", "no valid TOML"),
        (RATES.replace("0.05", "5"), "no mole fraction"),
        (RATES.replace("[O]", "[Fe]"), "'Fe' has no place"),
        (RATES[: RATES.index("[O]")], "one of"),
        (RATES.replace("rate_m3_s = 2.0e-17", "rate = 2.0e-17"), "must hold"),
        (RATES.replace("2.0e-17", "-2.0e-17"), "not positive"),
        (RATES.replace("2.0e-17", "'fast'"), "no number"),
        (RATES.replace("[[9.4e-16, 3.2e21]]", "[9.4e-16]"), "no pair"),
        (RATES.replace("relative_error = 0.3", "relative_error = nan"), "not positive"),
    ],
)
def test_bad_rate_constants_are_refused_with_an_example(text, match):
    with pytest.raises(TableError, match=match) as caught:
        parse_rates(text)
    assert "argon_share = 0.05" in caught.value.mend


def test_a_reading_cannot_be_built_without_its_reason():
    with pytest.raises(ValueError, match="no reason"):
        StateReading(name="x", value=1.0, standard_error=0.1, interval=(0.8, 1.2), unit="1", told=True, reason="")
