"""Context of a run: units against astropy, gauge factors against kinetic theory, and what is refused."""

import math

import pytest
from astropy import units as u
from numpy.testing import assert_allclose

from glowledger.diagnose.feed import parse_feed
from glowledger.errors import LedgerError
from glowledger.ledger.context import context_from, read_context
from glowledger.ledger.gauges import THERMAL, known_gauge, true_pressure
from glowledger.ledger.quantities import parse_quantity

# astropy.units, a general-purpose library; unit as written here -> unit there
THEIRS = {
    "pressure": {"Pa": u.Pa, "hPa": u.hPa, "kPa": u.kPa, "mbar": u.mbar, "bar": u.bar, "µbar": 1e-6 * u.bar,
                 "atm": 101325 * u.Pa, "Torr": 101325 / 760 * u.Pa, "mTorr": 101.325 / 760 * u.Pa},
    "voltage": {"V": u.V, "kV": u.kV}, "current": {"A": u.A, "mA": u.mA, "µA": u.uA},
    "power": {"W": u.W, "kW": u.kW, "mW": u.mW}, "flow": {"mbar l/s": u.mbar * u.liter / u.s},
}  # fmt: skip
KEPT = {"pressure": u.Pa, "voltage": u.V, "current": u.A, "power": u.W, "flow": u.Pa * u.m**3 / u.s}


@pytest.mark.parametrize(("name", "written"), [(name, unit) for name, units in THEIRS.items() for unit in units])
def test_units_agree_with_astropy(name, written):
    theirs = (2.5 * THEIRS[name][written]).to_value(KEPT[name])
    assert_allclose(parse_quantity(name, f"2.5 {written}").value, theirs, rtol=1e-12)


def test_a_standard_cubic_centimetre_a_minute():
    # by definition: 1 cm³/min of gas at 101325 Pa and 0 °C
    theirs = (101325 * u.Pa * u.cm**3 / u.min).to_value(u.Pa * u.m**3 / u.s)
    assert_allclose(parse_quantity("flow", "1 sccm").value, theirs, rtol=1e-12)
    assert_allclose(parse_quantity("flow", "0,5 slm").value, 500 * theirs, rtol=1e-12)


def test_numbers_with_errors_and_decimal_commas():
    found = parse_quantity("pressure", "5,0e-2 ± 2e-3 mbar")
    assert_allclose([found.value, found.standard_error], [5.0, 0.2])
    assert math.isnan(parse_quantity("voltage", "600V").standard_error)


@pytest.mark.parametrize(("name", "stated"), [
    ("pressure", "5"), ("pressure", "low"), ("pressure", "5 V"), ("power", "5 MW"), ("voltage", "-"),
])  # fmt: skip
def test_numbers_without_a_unit_of_their_kind_are_refused(name, stated):
    with pytest.raises(LedgerError) as told:
        parse_quantity(name, stated)
    assert told.value.mend


# Heat carried by a gas in molecular flow goes as (γ + 1)/(γ - 1)/sqrt(M) (Kennard, Kinetic Theory of Gases, 1938,
# chapter VIII, from memory); it holds where energy is accommodated as well as by nitrogen, so not for the
# light gases. γ and M: handbook values, from memory. Makers' factors differ from it by up to some 15 %.
KINETIC = {"Ar": (1.667, 39.95), "Kr": (1.667, 83.80), "Xe": (1.667, 131.3), "Ne": (1.667, 20.18),
           "O2": (1.395, 32.00), "CO": (1.400, 28.01)}  # fmt: skip


@pytest.mark.parametrize("gas", KINETIC)
def test_thermal_factors_agree_with_kinetic_theory(gas):
    def heat(gamma, mass):
        return (gamma + 1) / (gamma - 1) / math.sqrt(mass)

    assert_allclose(THERMAL[gas][0], heat(1.4, 28.01) / heat(*KINETIC[gas]), rtol=0.15)


def test_a_mixture_lies_between_its_gases_and_nitrogen_is_itself():
    def at(gas, gauge="Pirani gauge"):
        return true_pressure(10.0, gauge, parse_feed(gas))

    assert_allclose(at("N2").pressure_pa, 10.0)
    assert at("O2").pressure_pa < at("Ar:0.5,O2:0.5").pressure_pa < at("Ar").pressure_pa
    assert at("Ar").standard_error_pa > at("N2").standard_error_pa * at("Ar").factor  # the factor is uncertain too
    assert at("Ar", "hot-cathode").pressure_pa < 10.0 < at("He", "hot-cathode").pressure_pa
    assert_allclose(at("Xe", "capacitance").factor, 1.0)


@pytest.mark.parametrize(("reading", "gas"), [(500.0, "Ar"), (10.0, None), (10.0, "SF6"), (10.0, "Ar,O2")])
def test_where_a_reading_cannot_be_corrected_it_says_why(reading, gas):
    found = true_pressure(reading, "pirani", None if gas is None else parse_feed(gas))
    assert math.isnan(found.pressure_pa)
    assert found.reason.startswith("Cannot tell")


def test_an_open_share_is_what_the_others_leave():
    stated = true_pressure(10.0, "pirani", parse_feed("Ar:0.9,O2:0.1"))
    left = true_pressure(10.0, "pirani", parse_feed("Ar:0.9,O2"))
    assert_allclose(left.factor, stated.factor)


def test_an_unknown_gauge_is_refused():
    with pytest.raises(LedgerError, match="not known"):
        known_gauge("barometer")


def test_run_toml_beside_the_data(tmp_path):
    folder, file = tmp_path / "frames", tmp_path / "night.csv"
    folder.mkdir()
    (folder / "run.toml").write_text('gas = "Ar"\npressure = "5 Pa"\ngauge = "pirani"\npart = "cell 7"\n')
    (tmp_path / "night.run.toml").write_text('gas = "O2"\nvoltage = "0.6 kV"\n', encoding="utf-8-sig")
    found = read_context(folder, {"part": "cell 8"})
    assert found.stated() == {"gas": "Ar", "pressure": "5 Pa", "gauge": "pirani", "part": "cell 8"}
    assert found.pressure.pressure_pa > 5.0
    assert_allclose(read_context(file).quantities["voltage"].value, 600.0)
    assert read_context(tmp_path / "elsewhere" / "x.csv").stated() == {}


@pytest.mark.parametrize("text", ['presure = "5 Pa"', "gas = 'unobtainium'", "gas =", '[a]\nb = "1"', "pressure = 5"])
def test_a_wrong_run_toml_names_the_file(tmp_path, text):
    (tmp_path / "run.toml").write_text(text)
    with pytest.raises(LedgerError) as told:
        read_context(tmp_path)
    assert told.value.file == tmp_path / "run.toml"


def test_a_pressure_without_its_gauge_is_not_corrected():
    found = context_from({"pressure": "5 Pa", "gas": "Ar"}).pressure
    assert math.isnan(found.pressure_pa)
    assert "gauge" in found.reason
