"""The colours of the style, against published rules of legibility."""

import numpy as np
import pytest

from glowledger.report import style


def linear(colour):
    # sRGB to linear light: IEC 61966-2-1, from memory
    c = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    return np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)


def lab(rgb):
    # CIE 1976 L*a*b* with the sRGB matrix and white D65 (IEC 61966-2-1; CIE 15), from memory
    matrix = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
    xyz = matrix @ rgb / np.array([0.9505, 1.0, 1.089])
    f = np.where(xyz > 0.008856, np.cbrt(xyz), 7.787 * xyz + 16 / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


# Viénot, Brettel & Mollon, Color Res. Appl. 24, 243 (1999): dichromats on a display, linear RGB; from memory
DICHROMAT = {
    "protan": np.array([[0.11238, 0.88762, 0.0], [0.11238, 0.88762, 0.0], [0.00401, -0.00401, 1.0]]),
    "deutan": np.array([[0.29275, 0.70725, 0.0], [0.29275, 0.70725, 0.0], [-0.02234, 0.02234, 1.0]]),
}


def contrast(one, other):
    # contrast ratio of WCAG 2.1, relative luminance of sRGB
    y = sorted(np.array([0.2126, 0.7152, 0.0722]) @ linear(c) + 0.05 for c in (one, other))
    return y[1] / y[0]


@pytest.mark.parametrize("name", ["INK", "SOFT", "FIT", "WARN", "GOOD"])
def test_text_colours_reach_the_contrast_for_text(name):
    # WCAG 2.1, success criterion 1.4.3: 4.5:1
    assert contrast(getattr(style, name), style.PAPER) >= 4.5


def test_series_reach_the_contrast_for_graphics():
    # WCAG 2.1, success criterion 1.4.11: 3:1
    for one in style.SERIES:
        assert contrast(one.colour, style.PAPER) >= 3.0


def test_neighbouring_series_differ_in_grey():
    lightness = np.array([lab(linear(s.colour))[0] for s in style.SERIES])
    assert np.all(np.abs(np.diff(lightness)) >= 10)


def test_the_dark_colours_keep_to_the_same_rules():
    paper = style.DARK[style.PAPER]
    for colour in (style.INK, style.SOFT, style.FIT, style.WARN, style.GOOD):
        assert contrast(style.DARK[colour], paper) >= 4.5
    assert all(contrast(one, paper) >= 3.0 for one in style.DARK_SERIES)
    lightness = np.array([lab(linear(one))[0] for one in style.DARK_SERIES])
    assert np.all(np.abs(np.diff(lightness)) >= 10)
    for matrix in DICHROMAT.values():
        seen = np.array([lab(np.clip(matrix @ linear(one), 0, 1)) for one in style.DARK_SERIES])
        assert np.all(np.linalg.norm(np.diff(seen, axis=0), axis=1) >= 15)


@pytest.mark.parametrize("kind", DICHROMAT)
def test_neighbouring_series_differ_for_colour_blind_readers(kind):
    seen = np.array([lab(np.clip(DICHROMAT[kind] @ linear(s.colour), 0, 1)) for s in style.SERIES])
    assert np.all(np.linalg.norm(np.diff(seen, axis=0), axis=1) >= 15)


def test_no_two_series_share_a_dash_or_a_marker():
    assert len({s.marker for s in style.SERIES}) == len(style.SERIES)
    assert len({s.dash for s in style.SERIES}) == len(style.SERIES)
