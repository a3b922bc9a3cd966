"""Any way of writing a spectrum that the reader should understand is written here and read back."""

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_array_equal

from glowledger.errors import AmbiguousFile
from glowledger.spectra.reading import read_spectra

POINTS = 40
AXIS = np.round(np.linspace(350.12, 899.68, POINTS), 2)
HEADERS = {
    "english": ("Wavelength (nm)", "Intensity"),
    "german": ("Wellenlänge [nm]", "Zählwerte"),
    "french": ("Longueur d'onde (nm)", "Intensité"),
    "spanish": ("Longitud de onda (nm)", "Intensidad"),
    "italian": ("Lunghezza d'onda [nm]", "Intensità"),
    "japanese": ("波長 (nm)", "強度"),
    "bare": ("nm", "counts"),
}
PREAMBLES = {
    "none": "",
    "colons": "Instrument: bench 3\nIntegration time: 125 ms\nScans to average: 4\n\n",
    "hashes": "# exposure = 0.125 s\n# averages = 4\n",
    "ruled": "Integration Time (us): 125000\nScans averaged: 4\n========= data =========\n",
    "cells": "exposure (ms){d}125\naverages{d}4\n",
}


def number(value: float, decimal: str, thousands: str) -> str:
    text = f"{value:,.2f}" if value != int(value) else f"{int(value):,}"
    return text.translate(str.maketrans({",": thousands, ".": decimal}))


@st.composite
def written(draw):
    """Return the bytes of a file, its counts, and whether the preamble states exposure and averages."""
    delimiter = draw(st.sampled_from([",", ";", "\t", "|", "   "]))
    decimal = "." if delimiter == "," else draw(st.sampled_from([".", ","]))
    thousands = draw(st.sampled_from(["", "\u202f", "'"])) if delimiter.strip() else ""
    counts = draw(st.lists(st.integers(-50, 60000), min_size=POINTS, max_size=POINTS))
    counts[POINTS // 2] = 61000  # one highest value: no ceiling
    counts[3], counts[4] = 1500, 7  # thousands marks show
    head = draw(st.sampled_from(sorted(HEADERS)))
    kind = draw(st.sampled_from(sorted(PREAMBLES)))
    if kind == "cells" and not delimiter.strip():
        kind = "none"
    falling = draw(st.booleans())
    rows = [
        delimiter.join((number(a, decimal, ""), number(c, decimal, thousands)))
        for a, c in zip(AXIS.tolist(), counts, strict=True)
    ]
    text = PREAMBLES[kind].format(d=delimiter)
    if draw(st.booleans()) or kind == "cells":
        text += ("  " if delimiter == "   " else delimiter).join(HEADERS[head]) + "\n"
    text += "\n".join(rows[::-1] if falling else rows) + draw(st.sampled_from(["", "\n", "\n\n"]))
    text = text.replace("\n", draw(st.sampled_from(["\n", "\r\n", "\r"])))
    encoding = draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "latin-1"]))
    try:
        return text.encode(encoding), np.array(counts, dtype=float), kind != "none"
    except UnicodeEncodeError:
        return text.encode("utf-8"), np.array(counts, dtype=float), kind != "none"


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(written())
def test_every_dialect_reads_back_the_same(tmp_path, case):
    raw, counts, stated = case
    file = tmp_path / "spectrum.csv"
    file.write_bytes(raw)
    frames = read_spectra(file)
    assert frames.axis_kind == "nm_air"
    assert_array_equal(frames.axis, AXIS)
    assert_array_equal(frames.counts, counts[None])
    assert not frames.mask.any()
    if stated:
        assert frames.exposure_s[0] == pytest.approx(0.125, rel=1e-12)
        assert frames.averages[0] == 4


@pytest.mark.parametrize("decimal", [".", ","])
def test_three_digit_groups_alone_are_ambiguous_and_the_option_settles_it(tmp_path, decimal):
    file = tmp_path / "a.csv"
    file.write_text("".join(f"{400 + i};1,{234 + i}\n" for i in range(30)))
    with pytest.raises(
        AmbiguousFile, match=r"1.234 .*or as 1234.*--decimal ','  or  --decimal '.'"
    ) as caught:
        read_spectra(file)
    assert caught.value.line == 1
    frames = read_spectra(file, decimal=decimal, axis_unit="nm")
    assert frames.counts[0, 0] == {".": 1234.0, ",": 1.234}[decimal]


def test_marks_in_the_axis_or_large_plain_numbers_settle_the_decimal_comma(tmp_path):
    file = tmp_path / "a.csv"
    file.write_text(
        "".join(f"{400 + i},123;1,{234 + i}\n" for i in range(30))
    )  # 400123 is no light in any unit
    assert read_spectra(file).axis[0] == 400.123
    file.write_text("nm;counts\n" + "".join(f"{400 + i};1,{234 + i}\n" for i in range(30)) + "430;1250\n")
    assert read_spectra(file).counts[0, 0] == 1.234  # 1250 bears no thousands mark


def test_thousands_that_first_show_far_down(tmp_path):
    file = tmp_path / "a.csv"
    rows = [f"{300 + i / 10:.1f};{50 + i % 7}" for i in range(3000)]
    rows[2500] = "550.0;1,234"
    file.write_text("nm;counts\n" + "\n".join(rows))
    assert read_spectra(file).counts[0, 2500] == 1234.0


def test_commas_for_both_are_refused(tmp_path):
    file = tmp_path / "a.csv"
    file.write_text("".join(f"{400 + i // 2},{5 * (i % 2)}0,{900 + i}\n" for i in range(40)))
    with pytest.raises(AmbiguousFile, match=r"between columns .* or also be decimal"):
        read_spectra(file)


def test_averages_of_three_scans_are_not_thousands(tmp_path):
    file = tmp_path / "a.txt"
    thirds = [f"{n / 3:.3f}".removesuffix(".000") for n in range(900, 1000)]
    file.write_text("\n".join(f"{i}\t{t}" for i, t in enumerate(thirds)))
    assert_array_equal(read_spectra(file).counts[0], [float(t) for t in thirds])


def test_numbers_keep_every_digit(tmp_path):
    rng = np.random.default_rng(5)
    axis, counts = np.sort(rng.uniform(300, 900, 500)), rng.normal(0, 1e-3, 500)
    file = tmp_path / "a.csv"
    file.write_text(
        "wavelength_nm,counts\n"
        + "".join(f"{a!r},{c!r}\n" for a, c in zip(axis.tolist(), counts.tolist(), strict=True))
    )
    frames = read_spectra(file)
    assert_array_equal(frames.axis, axis)
    assert_array_equal(frames.counts[0], counts)


def test_missing_cells_are_masked_and_counted(tmp_path):
    cells = [str(100 + i % 7) for i in range(50)]
    cells[3], cells[7], cells[11], cells[20] = "", "NaN", "n/a", "-"
    file = tmp_path / "a.csv"
    file.write_text("".join(f"{a:.2f};{c}\n" for a, c in zip(np.linspace(400, 500, 50), cells, strict=True)))
    frames = read_spectra(file)
    assert np.flatnonzero(frames.mask[0]).tolist() == [3, 7, 11, 20]
    assert "4 values are missing or not a number; masked." in frames.origins[0].understood


def test_pandas_reads_the_same_numbers(tmp_path):
    pandas = pytest.importorskip("pandas")  # an outside reader of CSV
    rng = np.random.default_rng(2)
    table = np.column_stack(
        [np.round(np.linspace(300, 900, 300), 3), np.round(rng.normal(900, 30, (300, 5)), 3)]
    )
    file = tmp_path / "a.csv"
    np.savetxt(file, table, fmt="%.3f", delimiter=",", header="nm,t=0 s,t=1 s,t=2 s,t=3 s,t=4 s", comments="")
    theirs = pandas.read_csv(file).to_numpy()
    frames = read_spectra(file)
    assert_array_equal(np.column_stack([frames.axis, frames.counts.T]), theirs)
