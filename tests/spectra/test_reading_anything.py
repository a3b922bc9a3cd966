"""Whatever the bytes, the reader returns frames or says in its own words why not."""

import numpy as np
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from glowledger.errors import ReadError
from glowledger.spectra.inspection import describe, sentences
from glowledger.spectra.reading import read_spectra

CELL = st.one_of(
    st.integers(-5, 70000).map(str),
    st.floats(0, 1e4).map(lambda v: f"{v:.2f}"),
    st.sampled_from(
        ["", "nan", "1,234", "1.234,5", "-", "inf", "1e999", "10:00:00", "2026-01-01T00:00:01", "µ", "−3"]
    ),
)
HEAD = st.sampled_from(
    ["", "nm,counts\n", "# a: b\n", "time,1,2,3\n", "Pixel;Dark;Counts\n", "t;wavelength;counts\n"]
)


@st.composite
def files(draw):
    delimiter = draw(st.sampled_from([",", ";", "\t", " ", "|"]))
    width = draw(st.integers(1, 5))
    clean = st.lists(st.integers(0, 999).map(str), min_size=width, max_size=width)
    messy = st.lists(CELL, min_size=1, max_size=6)
    rows = draw(st.lists(st.one_of(clean, clean, clean, messy), max_size=30))
    numbered = draw(st.booleans())
    lines = [delimiter.join([str(300 + 1.5 * i), *row] if numbered else row) for i, row in enumerate(rows)]
    raw = bytearray((draw(HEAD) + "\n".join(lines)).encode())
    for _ in range(draw(st.integers(0, 3))):
        at = draw(st.integers(0, len(raw)))
        raw[at:at] = draw(st.binary(max_size=4))
    return bytes(raw)


OPTIONS = st.fixed_dictionaries(
    {},
    optional={
        "axis_unit": st.sampled_from(["nm", "pixel", "eV", "cm-1"]),
        "layout": st.sampled_from(["two-column", "wide", "transposed", "long", "counts-only"]),
        "decimal": st.sampled_from([".", ","]),
        "delimiter": st.sampled_from([",", ";", "tab", "blank"]),
    },
)


@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(raw=st.one_of(files(), st.binary(max_size=200)), options=OPTIONS)
@example(raw=b"0,inf,inf", options={})
@example(raw=b"0,inf,0\n0,inf,0", options={})
def test_frames_or_a_read_error(tmp_path, raw, options):
    file = tmp_path / "any.csv"
    file.write_bytes(raw)
    frames, error = None, None
    try:
        frames = read_spectra(file, **options)
    except ReadError as refused:
        error = refused
    if frames is None:
        assert error.file == file
        assert error.problem
        return
    assert np.all(np.isfinite(frames.counts))
    assert np.all(np.isfinite(frames.axis))
    assert sentences(describe(frames, file))
