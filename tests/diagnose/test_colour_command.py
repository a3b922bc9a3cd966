"""The colour command and photographs: contract, refusals, honest limits."""

import io
import json
import warnings

import colour as colour_science
import numpy as np
import pytest
from click.testing import CliRunner
from numpy.testing import assert_allclose
from PIL import Image, ImageCms

from glowledger.cli import main
from glowledger.diagnose.photo import photo_patch
from glowledger.diagnose.srgb import encode, from_hex
from glowledger.errors import ReadError

NM = np.arange(360.0, 831.0)


def run(*words):
    result = CliRunner().invoke(main, ["colour", *map(str, words)])
    return result


def document(*words):
    result = run(*words, "--json")
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)


def csv_of(folder, nm, values, name="glow.csv"):
    file = folder / name
    file.write_text("wavelength_nm,power\n" + "\n".join(f"{a:.3f},{v:.9g}" for a, v in zip(nm, values, strict=True)))
    return file


@pytest.mark.parametrize(
    ("values", "xy"),
    [
        # CIE: illuminant E by definition; A (CIE S 014-2: 2848 K with c2 = 1.435e-2 m K), CIE 15 table T.3
        (np.full(NM.size, 1000.0), (1 / 3, 1 / 3)),
        (1e5 * (560 / NM) ** 5 * np.expm1(1.435e7 / (2848 * 560)) / np.expm1(1.435e7 / (2848 * NM)),
         (0.44758, 0.40745)),
    ],
    ids=["E", "A"],
)  # fmt: skip
def test_illuminants_as_files_have_the_chromaticity_of_the_cie(values, xy, tmp_path):
    said = document(csv_of(tmp_path, NM, values))
    assert_allclose(said["xy"], xy, atol=2e-4)
    assert_allclose(said["XYZ"][1], 100.0)
    theirs = colour_science.XYZ_to_sRGB(np.array(said["XYZ"]) / 100, apply_cctf_encoding=False)
    shown = np.array([int(said["srgb"][i : i + 2], 16) for i in (1, 3, 5)]) / 255
    assert_allclose(shown, encode(theirs / theirs.max()), atol=0.004)
    assert not said["out_of_gamut"]


def test_a_line_as_a_file_is_out_of_gamut_and_keeps_its_place(tmp_path):
    # 589 nm on the CIE 1931 spectrum locus: 0.56926, 0.43010 (CIE 015:2018 through colour-science)
    axis = np.arange(400.0, 800.0, 0.5)
    said = document(csv_of(tmp_path, axis, 3e4 * np.exp(-(((axis - 589) / 0.8) ** 2))))
    assert_allclose(said["xy"], [0.56926, 0.43010], atol=2e-3)
    assert said["out_of_gamut"]
    assert said["gases"][0]["name"] == "Na"


@pytest.mark.parametrize("full_scale", [255, 4095, 65535])
def test_a_flat_file_at_a_detectors_ceiling_is_saturated(full_scale, tmp_path):
    result = run(csv_of(tmp_path, NM, np.full(NM.size, float(full_scale))))
    assert result.exit_code == 3
    assert "saturated" in result.stderr


def test_the_document_keeps_the_contract():
    said = document("--match", "#c060ff")
    assert said["schema"] == "glowledger/colour/1"
    assert {"xy", "XYZ", "srgb", "out_of_gamut", "description", "gases"} <= set(said)
    assert said["srgb"] == "#c060ff"
    differences = [gas["delta_e"] for gas in said["gases"]]
    assert differences == sorted(differences)
    assert all({"name", "delta_e"} <= set(gas) for gas in said["gases"])


def test_a_colour_may_be_said_in_words():
    result = run("--match", "reddish orange")
    assert result.exit_code == 0
    assert "Observed colour reddish orange" in result.output
    assert "neon" in result.output
    assert "rough" in result.output  # how much a word is worth
    assert document("--match", "pink")["subject"] == "Observed colour pink"


def test_text_says_cannot_tell_and_names_the_limits():
    result = run("--match", "#d080ff")
    assert result.exit_code == 0
    assert "Cannot tell" in result.output
    assert "white" in result.output


def test_strict_exits_with_four_where_it_cannot_tell():
    assert run("--match", "#d080ff", "--strict").exit_code == 4
    assert run("--match", "#ff9900", "--strict").exit_code == 0  # sodium lamp


def test_without_a_response_it_is_the_light_as_recorded(tmp_path):
    axis = np.linspace(380.0, 780.0, 900)
    peaks = sum(h * np.exp(-(((axis - c) / 0.9) ** 2)) for c, h in ((434.0, 9e3), (486.1, 2e4), (656.3, 6e4)))
    file = csv_of(tmp_path, axis, peaks)
    said = document(file)
    assert said["light"] == "recorded"
    assert "estimate" in said
    assert max(said["estimate"]["xy_standard_error"]) > 10 * max(said["xy_standard_error"])
    assert any("response" in caution for caution in said["cautions"])
    assumed = document(file, "--response", "silicon")
    assert assumed["light"] == "true"
    assert_allclose(assumed["xy"], said["estimate"]["xy"])
    plain = document(file, "--response", "none")
    assert_allclose(plain["xy"], said["xy"])
    assert "estimate" not in plain


def test_figure_is_written_with_its_text_alternative(tmp_path):
    result = run("--match", "#ff4020", "-o", tmp_path / "glow.png")
    assert result.exit_code == 0, result.output
    with Image.open(tmp_path / "glow.png") as picture:
        assert picture.size[0] > 1000
        assert "neon" in picture.info["Description"]


@pytest.mark.parametrize(
    ("words", "code"),
    [
        ((), 2),
        (("--match", "#ff0000", "--photo", "x.png"), 2),
        (("--photo", "x.png"), 2),
        (("--match", "#ff0000", "--white", 0, 0, 1, 1), 2),
        (("--match", "crimsonish"), 3),
        (("--match", "#12"), 3),
        (("--match", "#000000"), 3),
        (("--photo", "nowhere.png", "--patch", 0, 0, 5, 5), 3),
        (("nowhere.csv",), 3),
        (("--match", "#ff4020", "-o", "glow.docx"), 3),
    ],
    ids=str,
)
def test_wrong_words_are_refused_without_a_traceback(words, code):
    result = run(*words)
    assert result.exit_code == code, result.output
    assert "Traceback" not in result.output
    if code == 3:
        assert result.stderr.startswith("error: ")
        assert len(result.stderr.strip().splitlines()) == 1


# --- photographs ------------------------------------------------------------------------------------------


def photograph(folder, glow, white=(0.5, 0.5, 0.5), name="photo.png", noise=0.0, **options):
    """A picture with the glow at 10,10 40 x 30 and a card at 100,10 30 x 30; linear colours."""
    linear = np.full((120, 160, 3), 0.002)
    linear[10:40, 10:50] = glow
    linear[10:40, 100:130] = white
    linear = linear + np.random.default_rng(1).normal(0, noise, linear.shape)
    picture = Image.fromarray(np.rint(encode(linear) * 255).astype(np.uint8))
    picture.save(folder / name, **options)
    return folder / name


GLOW, CARD = (12, 12, 36, 26), (102, 12, 26, 26)


def test_patch_returns_the_linear_mean(tmp_path):
    seen = photo_patch(photograph(tmp_path, (0.6, 0.2, 0.1), noise=0.01), GLOW)
    assert_allclose(seen.linear, [0.6, 0.2, 0.1], rtol=0.02)
    assert not seen.white_referenced


def test_white_reference_takes_out_the_cameras_balance(tmp_path):
    # The same glow under two balances: channel gains (1, 1, 1) and (0.6, 1, 1.5) (von Kries in linear sRGB).
    gains = np.array([0.6, 1.0, 1.5])
    neutral = photo_patch(photograph(tmp_path, (0.5, 0.2, 0.1), name="a.png"), GLOW, CARD)
    tinted = photo_patch(
        photograph(tmp_path, gains * (0.5, 0.2, 0.1), white=tuple(0.5 * gains), name="b.png"), GLOW, CARD
    )
    assert_allclose(tinted.linear / tinted.linear.max(), neutral.linear / neutral.linear.max(), rtol=0.03)
    assert tinted.white_referenced


def test_wide_gamut_profile_is_brought_to_srgb(tmp_path):
    # A picture that says it is linear-light with its own profile would be wrong by far if the profile were
    # ignored; Pillow's built-in sRGB profile must change nothing.
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    plain = photo_patch(photograph(tmp_path, (0.6, 0.2, 0.1), name="a.png"), GLOW)
    tagged = photo_patch(photograph(tmp_path, (0.6, 0.2, 0.1), name="b.png", icc_profile=profile), GLOW)
    assert_allclose(tagged.linear, plain.linear, rtol=0.02)
    xyz = ImageCms.ImageCmsProfile(ImageCms.createProfile("XYZ")).tobytes()
    other = photograph(tmp_path, (0.6, 0.2, 0.1), name="c.png", icc_profile=xyz)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # whether Pillow can use it or not, it must end in an answer
        assert photo_patch(other, GLOW).linear.shape == (3,)


def test_upright_is_what_the_camera_says(tmp_path):
    exif = Image.Exif()
    exif[0x0112] = 6  # rotated by 90 degrees: stored 160 x 120 is seen as 120 x 160
    file = photograph(tmp_path, (0.6, 0.2, 0.1), name="turned.jpg", exif=exif, quality=95)
    seen = photo_patch(file, (84, 14, 20, 30))
    assert_allclose(seen.linear, [0.6, 0.2, 0.1], rtol=0.08)


def test_partly_clipped_patch_is_used_with_a_caution(tmp_path):
    file = tmp_path / "half.png"
    linear = np.full((40, 40, 3), (0.4, 0.2, 0.1))
    linear[:10] = 1.0
    Image.fromarray(np.rint(encode(linear) * 255).astype(np.uint8)).save(file)
    seen = photo_patch(file, (0, 0, 40, 40))
    assert_allclose(seen.linear, [0.4, 0.2, 0.1], rtol=0.02)
    assert any("clipped" in caution for caution in seen.cautions)


@pytest.mark.parametrize(
    ("glow", "patch", "white", "match"),
    [
        ((1.0, 1.0, 1.0), GLOW, None, "overexposed"),
        ((0.001, 0.001, 0.0), GLOW, None, "too dark"),
        ((0.5, 0.2, 0.1), (150, 10, 40, 30), None, "does not lie within"),
        ((0.5, 0.2, 0.1), (10, 10, 0, 30), None, "does not lie within"),
        ((0.5, 0.2, 0.1), GLOW, (0, 60, 20, 20), "too dark"),
    ],
)
def test_useless_patches_are_refused(glow, patch, white, match, tmp_path):
    with pytest.raises(ReadError, match=match):
        photo_patch(photograph(tmp_path, glow), patch, white)


@pytest.mark.parametrize("content", [b"", b"not a picture", b"\x89PNG\r\n\x1a\n" + bytes(50)])
def test_what_is_no_picture_is_refused(content, tmp_path):
    file = tmp_path / "photo.png"
    file.write_bytes(content)
    with pytest.raises(ReadError, match="cannot be read as a picture"):
        photo_patch(file, GLOW)


def test_truncated_photograph_is_refused(tmp_path):
    whole = photograph(tmp_path, (0.6, 0.2, 0.1), name="whole.jpg", quality=95).read_bytes()
    file = tmp_path / "cut.jpg"
    file.write_bytes(whole[: len(whole) * 4 // 5])
    with pytest.raises(ReadError):
        photo_patch(file, GLOW)
    with pytest.raises(OSError, match="trunc"):  # that is why: Pillow itself cannot
        Image.open(io.BytesIO(file.read_bytes())).load()


def test_photo_of_neon_through_the_command(tmp_path):
    file = photograph(tmp_path, from_hex("#ff4020") * 0.6)
    said = document("--photo", file, "--patch", *GLOW, "--white", *CARD)
    assert said["gases"][0]["name"] == "Ne"
    assert said["light"] == "observed"


def test_a_bench_with_a_response_gives_the_true_light(tmp_path):
    # Planck light of 3000 K seen by a detector of known photon response; truth: Planck's formula through
    # colour-science (CIE 1931, 1 nm).
    from glowledger.bench.bench_file import bench_text
    from glowledger.bench.model import Bench, Response

    axis = np.arange(360.0, 831.0)
    power = axis**-5.0 / np.expm1(1.4388e7 / (axis * 3000.0))
    at = np.linspace(350.0, 850.0, 101)
    response = Response(at_nm=at, value=np.exp(-(((at - 620) / 180) ** 2)), relative_error=np.full(101, 0.03),
                        usable_nm=(380.0, 800.0))  # fmt: skip
    counts = power / power.max() * axis / 600 * response.at(axis) * 4e4
    (tmp_path / "bench.toml").write_text(bench_text(Bench(pixels=axis.size, response=response)), encoding="utf-8")
    said = document(csv_of(tmp_path, axis, counts), "--bench", tmp_path / "bench.toml")
    theirs = colour_science.SpectralDistribution(power, axis)
    observer = colour_science.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    xy = colour_science.XYZ_to_xy(colour_science.sd_to_XYZ(theirs, cmfs=observer, method="Integration"))
    assert said["light"] == "true"
    assert_allclose(said["xy"], xy, atol=1e-3)
    assert 1e-3 < max(said["xy_standard_error"]) < 0.02
