"""Bad input: the class of the error, its line, and the parts of the message a user needs."""

import os

import numpy as np
import pytest

from glowledger.errors import AmbiguousFile, ReadError
from glowledger.spectra.reading import read_spectra, require_light

GOOD = [f"{a:.2f},{1000 + i * 7 % 50}" for i, a in enumerate(np.linspace(400, 700, 60))]


def with_line(number, text):
    return "\n".join([*GOOD[: number - 1], text, *GOOD[number:]]) + "\n"


CASES = {
    "empty": (b"", None, "the file is empty"),
    "blank": (b"\n \n\n", None, "the file is empty"),
    "only preamble": (b"Date: today\nExposure: 3 ms\n", 1, "no rows of numbers"),
    "image": (b"\x89PNG\r\n\x1a\n" + bytes(range(256)), None, "found a PNG image"),
    "workbook": (b"PK\x03\x04" + bytes(200), None, "a spreadsheet workbook"),
    "binary": (bytes(np.random.default_rng(0).integers(0, 256, 999, dtype=np.uint8)), None, "binary data"),
    "nul bytes": (GOOD[0].encode() + b"\n\x00\x00\x00\x00\n401,3\n", None, "binary data"),
    "web page": (b"\n<!DOCTYPE html><html><body>404</body></html>", 1, "a web page"),
    "web page with numbers": (b"<table><td>400.1,3</td></table>\n400.1,3\n401.2,4\n", 1, "a web page"),
    "xml": (b"<?xml version='1.0'?><a/>", 1, "an XML document"),
    "one column": ("\n".join(["17", "18", "19"] * 20), 1, "one column of numbers"),
    "text in a number": (with_line(26, "526.00,12O4"), 26, r"expected a number in column 2, found '12O4'"),
    "text in the third number": (with_line(3, "410.17,abc"), 3, "found 'abc'"),
    "three cells": (with_line(31, "552.54,1010,7"), 31, r"expected 2 columns as in line 1, found 3"),
    "one cell": (with_line(31, "552.54"), 31, r"expected 2 columns as in line 1, found 1"),
    "other decimal mark": ("".join(f"40{i},52;3\n" for i in range(9)) + "409.5;3\n410,1;3\n", 10,
                           "although the decimal mark is a comma elsewhere"),
    "axis without a number": (with_line(7, ",1010"), 7, "the axis has no number"),
    "axis repeats": (with_line(9, GOOD[7].split(",")[0] + ",5"), 9, "the axis repeats at point 9"),
    "axis turns back": ("\n".join(GOOD + GOOD), 61, "the axis turns back at point 61: 400 after 700"),
    "underscores": (with_line(5, "420.34,1_000"), 5, "found '1_000'"),
}  # fmt: skip


@pytest.mark.parametrize("name", CASES)
def test_bad_file(tmp_path, name):
    raw, line, message = CASES[name]
    file = tmp_path / "bad.csv"
    file.write_bytes(raw if isinstance(raw, bytes) else raw.encode())
    with pytest.raises(ReadError, match=message) as caught:
        read_spectra(file)
    assert caught.value.file == file
    assert caught.value.line == line
    assert caught.value.mend or "empty" in message
    assert "\n" not in caught.value.paragraph()


def test_missing_file(tmp_path):
    with pytest.raises(ReadError, match="no such file or folder"):
        read_spectra(tmp_path / "none.csv")


def test_path_through_a_file(tmp_path):
    (tmp_path / "a.csv").write_text("x")
    with pytest.raises(ReadError, match="cannot be read"):
        read_spectra(tmp_path / "a.csv" / "b.csv")


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
def test_file_without_permission(tmp_path):
    file = tmp_path / "a.csv"
    file.write_text("\n".join(GOOD))
    file.chmod(0)
    with pytest.raises(ReadError, match="permission denied"):
        read_spectra(file)


def test_empty_folder_and_folder_without_spectra(tmp_path):
    with pytest.raises(ReadError, match="the folder is empty"):
        read_spectra(tmp_path)
    (tmp_path / "photo.jpg").write_bytes(b"\xff\xd8\xff")
    with pytest.raises(ReadError, match="holds no spectra"):
        read_spectra(tmp_path)


@pytest.mark.parametrize(
    ("axis", "options"),
    [
        (np.linspace(3500, 9000, 60), ["angstrom", "cm-1"]),
        (np.linspace(12000, 25000, 60), ["angstrom", "cm-1"]),
        (np.linspace(1.4, 3.5, 60), ["um", "eV"]),
        (np.arange(400, 460), ["pixel", "nm"]),
    ],
)
def test_a_bare_axis_that_two_units_fit_is_asked(tmp_path, axis, options):
    file = tmp_path / "a.csv"
    file.write_text("".join(f"{a:.6g},{5 + i % 3}\n" for i, a in enumerate(axis)))
    with pytest.raises(AmbiguousFile, match="nothing names its unit") as caught:
        read_spectra(file)
    for unit in options:
        assert f"--axis-unit {unit}" in caught.value.mend
        read_spectra(file, axis_unit=unit)


@pytest.mark.parametrize(
    ("counts", "message"),
    [
        (["0"] * 60, "all zero"),
        (["65535"] * 60, "every pixel is saturated"),
        (["4000"] * 60, "every pixel is saturated"),
        (["nan"] * 59 + ["-"], "no rows of numbers|every value is missing"),
        (["5", "6"], "fewer than 20 points"),
    ],
)
def test_spectra_without_light_are_read_but_refused_for_use(tmp_path, counts, message):
    file = tmp_path / "a.csv"
    file.write_text(
        "nm,counts\n"
        + "".join(f"{a:.2f},{c}\n" for a, c in zip(np.linspace(400, 700, len(counts)), counts, strict=True))
    )
    frames = read_spectra(file)
    with pytest.raises(ReadError, match=message) as caught:
        require_light(frames)
    assert caught.value.file == file


@pytest.mark.parametrize(
    "option", [{"axis_unit": "furlong"}, {"decimal": "x"}, {"layout": "round"}, {"delimiter": "ab"}]
)
def test_unknown_options_are_the_callers_mistake(tmp_path, option):
    with pytest.raises(ValueError, match="expected one"):
        read_spectra(tmp_path / "a.csv", **option)


def test_spectra_below_each_other_are_told_from_a_spoilt_cell(tmp_path):
    block = "nm,counts\n" + "".join(f"{400 + k},{k % 7}\n" for k in range(40))
    (tmp_path / "two.csv").write_text(block + block)
    with pytest.raises(ReadError, match=r"line 42: a line of text stands amid the numbers.*file of its own"):
        read_spectra(tmp_path / "two.csv")
    (tmp_path / "cell.csv").write_text(block.replace("410,3", "4x0,3"))
    with pytest.raises(ReadError, match=r"line 12: expected a number in column 1"):
        read_spectra(tmp_path / "cell.csv")
