"""Layouts: one spectrum, wide, transposed, long, counts only; and what cannot be told apart."""

import numpy as np
import pytest
from numpy.testing import assert_array_equal

from glowledger.errors import AmbiguousFile, ReadError
from glowledger.spectra.reading import read_spectra

POINTS, COUNT = 50, 7
AXIS = np.round(np.linspace(380.25, 790.5, POINTS), 2)
COUNTS = np.random.default_rng(3).integers(100, 4000, (COUNT, POINTS)).astype(float)


@pytest.fixture
def write(tmp_path):
    def write(text, name="run.csv"):
        (tmp_path / name).write_bytes(text if isinstance(text, bytes) else text.encode())
        return tmp_path / name

    return write


def wide(names, corner="wavelength_nm", axis=AXIS, end="\n"):
    head = [] if names is None else [",".join([corner, *names])]
    rows = [
        ",".join([f"{a:g}", *(f"{c:g}" for c in column)]) for a, column in zip(axis, COUNTS.T, strict=True)
    ]
    return "\n".join([*head, *rows]) + end


def transposed(corner, firsts, axis=None, header=True):
    head = [",".join([corner, *(axis or [f"{a:g}" for a in AXIS])])] if header else []
    return (
        "\n".join(
            [
                *head,
                *(
                    ",".join([first, *(f"{c:g}" for c in row)])
                    for first, row in zip(firsts, COUNTS, strict=True)
                ),
            ]
        )
        + "\n"
    )


TIMES = {
    "t=": ([f"t={k / 2} s" for k in range(COUNT)], np.arange(COUNT) / 2),
    "plain": ([f"{k * 1.5}" for k in range(COUNT)], np.arange(COUNT) * 1.5),
    "ms": ([f"{k * 40} ms" for k in range(COUNT)], np.arange(COUNT) * 0.04),
    "joined": ([f"counts_{k}s" for k in range(COUNT)], np.arange(COUNT)),
    "brackets": ([f"Counts ({k}.5 s)" for k in range(COUNT)], np.arange(COUNT) + 0.5),
    "minutes": ([f"{k} min" for k in range(COUNT)], np.arange(COUNT) * 60),
    "iso": ([f"2026-05-01T23:59:{s}" for s in (57, 58, 59)] + [f"2026-05-02T00:00:0{s}" for s in range(4)],
            np.arange(COUNT)),
    "iso zone": ([f"2026-05-01T12:00:00.{k}00Z" for k in range(COUNT)], np.arange(COUNT) / 10),
    "clock": (["23:59:57", "23:59:58", "23:59:59", *(f"00:00:0{s}" for s in range(4))], np.arange(COUNT)),
}  # fmt: skip


@pytest.mark.parametrize("style", TIMES)
def test_wide_table_with_times_in_the_header(write, style):
    names, seconds = TIMES[style]
    frames = read_spectra(write(wide(names)))
    assert_array_equal(frames.axis, AXIS)
    assert_array_equal(frames.counts, COUNTS)
    np.testing.assert_allclose(frames.time_s, seconds, rtol=0, atol=1e-9)
    assert [o.column for o in frames.origins] == names


def test_wide_table_with_numbered_frames_has_no_times(write):
    frames = read_spectra(write(wide([f"frame_{k:03d}" for k in range(COUNT)])))
    assert np.isnan(frames.time_s).all()
    assert "give no times" in frames.origins[0].understood[1]


def test_times_without_unit_take_the_stated_one(write):
    frames = read_spectra(write(wide([f"{k}" for k in range(COUNT)])), time_unit="min")
    assert_array_equal(frames.time_s, np.arange(COUNT) * 60.0)


def test_wide_table_with_an_empty_corner(write):
    frames = read_spectra(write(wide([f"{k * 10}" for k in range(COUNT)], corner="")))
    assert_array_equal(frames.counts, COUNTS)
    assert_array_equal(frames.time_s, np.arange(COUNT) * 10.0)


def test_wide_table_on_a_pixel_axis(write):
    frames = read_spectra(
        write(wide([f"t={k}s" for k in range(COUNT)], corner="pixel", axis=np.arange(POINTS)))
    )
    assert frames.axis_kind == "pixel"
    assert_array_equal(frames.counts, COUNTS)


@pytest.mark.parametrize(
    ("corner", "firsts", "seconds"),
    [
        ("time_s", [f"{k / 4}" for k in range(COUNT)], np.arange(COUNT) / 4),
        ("time [ms]", [f"{k * 250}" for k in range(COUNT)], np.arange(COUNT) / 4),
        ("Zeit (min)", [f"{k}" for k in range(COUNT)], np.arange(COUNT) * 60.0),
        ("timestamp", [f"2026-05-01 12:00:0{k}.5" for k in range(COUNT)], np.arange(COUNT)),
        ("", [f"{k / 4}" for k in range(COUNT)], np.arange(COUNT) / 4),
        ("clock", [f"12:00:0{k}" for k in range(COUNT)], np.arange(COUNT)),
    ],
)
def test_transposed_table(write, corner, firsts, seconds):
    frames = read_spectra(write(transposed(corner, firsts)))
    assert frames.axis_kind == "nm_air"
    assert_array_equal(frames.axis, AXIS)
    assert_array_equal(frames.counts, COUNTS)
    np.testing.assert_allclose(frames.time_s, seconds, atol=1e-9)
    assert [o.line for o in frames.origins] == list(range(2, COUNT + 2))


def test_transposed_table_of_named_pixels(write):
    frames = read_spectra(
        write(transposed("time_s", [f"{k}" for k in range(COUNT)], axis=[f"px{i}" for i in range(POINTS)]))
    )
    assert frames.axis_kind == "pixel"
    assert_array_equal(frames.counts, COUNTS)


@pytest.mark.parametrize("header", ["time_s,wavelength_nm,counts\n", "frame;wavelength;intensity\n", ""])
def test_long_table(write, header):
    mark = ";" if ";" in header else ","
    text = "".join(
        f"{k}{mark}{a:g}{mark}{c:g}\n" for k, row in enumerate(COUNTS) for a, c in zip(AXIS, row, strict=True)
    )
    frames = read_spectra(write(header + text))
    assert_array_equal(frames.axis, AXIS)
    assert_array_equal(frames.counts, COUNTS)
    if "frame" in header:
        assert np.isnan(frames.time_s).all()
    else:
        assert_array_equal(frames.time_s, np.arange(COUNT))


def test_long_table_with_dates_and_an_unfinished_frame(write):
    text = "timestamp,wavelength_nm,counts\n" + "".join(
        f"2026-05-01T12:00:0{k},{a:g},{c:g}\n"
        for k, row in enumerate(COUNTS)
        for a, c in zip(AXIS, row, strict=True)
    )
    frames = read_spectra(write("\n".join(text.split("\n")[:-10])))
    assert_array_equal(frames.counts, COUNTS[:-1])
    assert frames.started_at == "2026-05-01T12:00:00"
    assert any("as if still being written" in s for s in frames.origins[0].understood)


@pytest.mark.parametrize(
    "text",
    [
        wide([f"t={k} s" for k in range(COUNT)])[:-12],
        transposed("time_s", [f"{k}" for k in range(COUNT)])[:-30],
    ],
)
def test_a_last_line_still_being_written_is_left_out_and_said(write, text):
    frames = read_spectra(write(text))
    assert frames.counts.shape in ((COUNT, POINTS - 1), (COUNT - 1, POINTS))
    assert_array_equal(frames.counts, COUNTS[: len(frames), : frames.axis.size])
    assert any("not complete, as if still being written" in s for s in frames.origins[0].understood)


def test_dark_column_is_subtracted_and_reference_left_out(write):
    text = "Pixel,Wavelength [nm],Dark,Reference,Counts\n" + "".join(
        f"{i},{a:g},{20 + i % 3},50000,{c:g}\n" for i, (a, c) in enumerate(zip(AXIS, COUNTS[0], strict=True))
    )
    frames = read_spectra(write(text))
    assert frames.axis_kind == "nm_air"
    assert_array_equal(frames.counts[0], COUNTS[0] - 20 - np.arange(POINTS) % 3)
    assert (frames.added_variance > 0).all()
    said = " ".join(frames.origins[0].understood)
    assert "'Reference', a reference, was left out" in said
    assert "'Pixel', another axis, was left out" in said


CHANNELS = np.random.default_rng(5).integers(0, 250, (3, POINTS)).astype(float)


def with_channels(names, columns):
    rows = zip(AXIS, *columns, strict=True)
    return ",".join(["nm", *names]) + "\n" + "".join(",".join(f"{v:g}" for v in row) + "\n" for row in rows)


@pytest.mark.parametrize("names", [("R", "G", "B"), ("Red", "Green", "Blue"), ("rot", "grün", "blau")])
def test_colour_channels_of_a_camera_are_no_frames(write, names):
    beside = read_spectra(write(with_channels([*names, "Intensity"], [*CHANNELS, COUNTS[0]])))
    assert_array_equal(beside.counts, COUNTS[:1])
    alone = read_spectra(write(with_channels(names, CHANNELS)))
    assert_array_equal(alone.counts, CHANNELS.sum(axis=0)[None])
    for frames in (beside, alone):
        assert any("colour channels of a camera" in said for said in frames.origins[0].understood)


def test_where_a_channel_is_full_their_sum_is_missing(write):
    channels = CHANNELS.copy()
    channels[1, [7, 8, 20]] = 255
    frames = read_spectra(write(with_channels("RGB", channels)))
    assert np.flatnonzero(frames.mask[0]).tolist() == [7, 8, 20]
    assert any("3 points at which one is full (255)" in said for said in frames.origins[0].understood)


@pytest.mark.parametrize(
    ("names", "kept"),
    [
        (("Counts", "Smoothed"), 0),
        (("Raw", "Dark corrected"), 1),  # its own program took the dark off; it is no dark
        (("Scope", "Net counts", "Filtered"), 1),
    ],
)
def test_columns_that_hold_the_same_light_are_one_frame(write, names, kept):
    frames = read_spectra(write(with_channels(names, COUNTS[: len(names)])))
    assert_array_equal(frames.counts, COUNTS[kept : kept + 1])
    assert any("holds the same light" in said for said in frames.origins[0].understood)


def test_counts_with_their_dark_are_used_before_what_is_said_to_be_corrected(write):
    frames = read_spectra(write(with_channels(("Raw", "Dark", "Corrected"), COUNTS[:3])))
    assert_array_equal(frames.counts, COUNTS[:1] - COUNTS[1:2])


def test_a_dark_is_not_taken_off_twice(write):
    frames = read_spectra(write(with_channels(("Dark", "Dark corrected"), COUNTS[:2])))
    assert_array_equal(frames.counts, COUNTS[1:2])


@pytest.mark.parametrize("name", ["Smoothed", "Dark corrected"])
def test_what_stands_alone_is_read_whatever_was_done_to_it(write, name):
    assert_array_equal(read_spectra(write(with_channels([name], COUNTS[:1]))).counts, COUNTS[:1])


def test_a_corrected_wavelength_is_the_axis(write):
    text = with_channels(["Counts"], COUNTS[:1]).replace("nm,", "Corrected wavelength,", 1)
    rows = text.splitlines()
    swapped = "\n".join(",".join(row.split(",")[::-1]) for row in rows) + "\n"
    assert_array_equal(read_spectra(write(swapped)).counts, COUNTS[:1])


@pytest.mark.parametrize("name", ["Index", "No.", "frame"])
def test_a_running_number_is_no_frame_however_many_columns_there_are(write, name):
    numbers = np.arange(POINTS)
    rows = zip(numbers, AXIS, COUNTS[0], COUNTS[1], strict=True)
    text = f"{name},nm,a,b\n" + "".join(",".join(f"{v:g}" for v in row) + "\n" for row in rows)
    assert_array_equal(read_spectra(write(text)).counts, COUNTS[:2])


@pytest.mark.parametrize("header", [True, False])
@pytest.mark.parametrize("count", [1, COUNT])
def test_rows_below_their_axis_may_have_no_times(write, count, header):
    """The first pixel was taken for the times."""
    axis = [f"{a:g}" + ("nm" if header else "") for a in AXIS]
    text = "\n".join([",".join(axis), *(",".join(f"{c:g}" for c in row) for row in COUNTS[:count])]) + "\n"
    frames = read_spectra(write(text))
    assert_array_equal(frames.counts, COUNTS[:count])
    np.testing.assert_allclose(frames.axis, AXIS, atol=0.005)
    assert np.isnan(frames.time_s).all()


def test_two_columns_named_like_channels_are_frames(write):
    assert len(read_spectra(write(with_channels("RG", CHANNELS[:2])))) == 2


@pytest.mark.parametrize("name", ["Absorbance", "Transmittance (%)"])
def test_a_ratio_to_a_lamp_is_refused_with_what_to_export(write, name):
    with pytest.raises(ReadError, match=r"lamp's light behind a sample.*counts"):
        read_spectra(write(with_channels([name], CHANNELS[:1])))


def test_saturation_is_found_before_a_dark_column_is_subtracted(write):
    counts = np.minimum(COUNTS[0] * 20, 65535).astype(int)
    text = "nm,counts,dark\n" + "".join(
        f"{a:g},{c},{30 + i % 5}\n" for i, (a, c) in enumerate(zip(AXIS, counts, strict=True))
    )
    assert_array_equal(read_spectra(write(text)).mask[0], counts == 65535)


def test_counts_only_needs_to_be_said(write):
    text = "\n".join(f"{c:g}" for c in COUNTS[0])
    with pytest.raises(ReadError, match=r"one column of numbers.*--layout counts-only"):
        read_spectra(write(text))
    frames = read_spectra(write(text), layout="counts-only")
    assert frames.axis_kind == "pixel"
    assert_array_equal(frames.counts, COUNTS[:1])


@pytest.mark.parametrize("layout", ["wide", "transposed"])
def test_wide_or_transposed_where_both_can_be_is_asked(write, layout):
    header = ",".join(["", *(str(i) for i in range(POINTS))])
    file = write(
        "\n".join([header, *(",".join([str(k), *(f"{c:g}" for c in row)]) for k, row in enumerate(COUNTS))])
    )
    with pytest.raises(
        AmbiguousFile,
        match=r"50 frames of 7 points, or 7 frames of 50 points.*--layout wide.*--layout transposed",
    ):
        read_spectra(file)
    assert (
        read_spectra(file, layout=layout).counts.shape
        == {"wide": (POINTS, COUNT), "transposed": (COUNT, POINTS)}[layout]
    )


def test_without_header_a_square_of_whole_numbers_is_asked(write):
    rng = np.random.default_rng(0)
    file = write("\n".join(",".join([str(i), *map(str, rng.integers(0, 99, 30))]) for i in range(40)))
    with pytest.raises(AmbiguousFile, match=r"30 frames of 40 points, or 40 frames of 30"):
        read_spectra(file)


def test_falling_axis_is_turned_round(write):
    frames = read_spectra(write("\n".join(wide(None).strip().split("\n")[::-1])))
    assert_array_equal(frames.axis, AXIS)
    assert_array_equal(frames.counts, COUNTS)


def test_rows_repeated_exactly_are_left_out_and_said(write):
    rows = wide(None).strip().split("\n")
    frames = read_spectra(write("\n".join([*rows[:9], rows[8], *rows[9:]])))
    assert_array_equal(frames.counts, COUNTS)
    assert any("left out: 1." in s for s in frames.origins[0].understood)


def test_text_after_the_data_and_comments_within_are_left_out_and_said(write):
    rows = wide(None).strip().split("\n")
    frames = read_spectra(
        write("\n".join([*rows[:20], "# lamp moved", *rows[20:], ">>>>> end of data <<<<<", "total 17"]))
    )
    assert_array_equal(frames.counts, COUNTS)
    said = " ".join(frames.origins[0].understood)
    assert "Line 21 is a comment" in said
    assert "Text after the data, from line 52" in said
