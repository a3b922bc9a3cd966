"""The colour of a patch of a photograph, in linear sRGB."""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from glowledger.diagnose.srgb import decode
from glowledger.errors import ReadError

if TYPE_CHECKING:
    from PIL.Image import Image

Box = tuple[int, int, int, int]

CLIPPED = 250 / 255  # channel values at and above are taken as clipped
MOST_CLIPPED = 0.5  # of a patch: more, and its colour is lost
COLOURLESS = ("1", "L", "LA", "La", "I", "F", "I;16")  # Pillow's names of grey modes
DARKEST = 0.01  # linear; darker patches are noise and compression


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class PhotoPatch:
    """The colour of a glow in a photograph.

    Attributes
    ----------
    linear : ndarray of shape (3,)
        Linear sRGB, divided by the white reference if there is one.
    log_sd : float
        Standard error of its channels from the patch's own scatter, in ln.
    white_referenced : bool
        True if a white reference was used.
    cautions : tuple of str
        Clipping and colour profile.
    """

    linear: NDArray[np.float64]
    log_sd: float
    white_referenced: bool
    cautions: tuple[str, ...]


def photo_patch(file: Path, patch: Box, white: Box | None = None) -> PhotoPatch:
    """Read the mean colour of a patch.

    Parameters
    ----------
    file : Path
        A picture that Pillow reads: JPEG, PNG, TIFF, WebP, ...
    patch : (int, int, int, int)
        x, y of its upper left corner, width, height, in pixels of the upright picture.
    white : (int, int, int, int), optional
        A patch of something white or grey in neutral light, in the same picture.

    Returns
    -------
    PhotoPatch

    Raises
    ------
    ReadError
        If the file is no picture, a patch lies outside it, or a patch is over- or underexposed.
    """
    pixels, cautions = _linear_picture(file)
    mean, log_sd, clipped = _mean(file, pixels, patch, "patch")
    if clipped > 0.01:
        cautions.append(
            f"{100 * clipped:.0f} % of the patch is clipped and left out: bright glows lose their colour in "
            "a photograph. Expose less."
        )
    if white is not None:
        reference, reference_sd, _ = _mean(file, pixels, white, "white")
        mean = mean / reference * reference.max()
        log_sd = float(np.hypot(log_sd, reference_sd))
    return PhotoPatch(linear=mean, log_sd=log_sd, white_referenced=white is not None, cautions=tuple(cautions))


def _linear_picture(file: Path) -> tuple[NDArray[np.float64], list[str]]:
    """Return the upright picture (height, width, 3) in encoded sRGB of 0 to 1, and what was noticed."""
    from PIL import Image, ImageOps, UnidentifiedImageError

    if not file.is_file():
        raise ReadError("there is no such picture.", mend="Check the path.", file=file)
    try:
        with Image.open(file) as opened:
            if opened.mode in COLOURLESS:
                raise ReadError("the picture is black and white.", mend="Give one in colour.", file=file)
            upright = ImageOps.exif_transpose(opened)
            picture, cautions = _in_srgb(upright)
            return np.asarray(picture, dtype=float) / 255, cautions
    except (OSError, UnidentifiedImageError, ValueError, SyntaxError, Image.DecompressionBombError) as error:
        raise ReadError(
            f"cannot be read as a picture ({type(error).__name__}).",
            mend="Give a JPEG, PNG or TIFF photograph; raw camera files must be exported first.",
            file=file,
        ) from error


def _in_srgb(picture: Image) -> tuple[Image, list[str]]:
    """Convert a picture to 8-bit sRGB by its embedded profile."""
    from PIL import ImageCms

    profile = picture.info.get("icc_profile")
    plain = picture.convert("RGB")
    if not profile:
        return plain, []
    try:
        embedded = ImageCms.ImageCmsProfile(io.BytesIO(profile))
        converted = ImageCms.profileToProfile(plain, embedded, ImageCms.createProfile("sRGB"))
    except ImageCms.PyCMSError:
        return plain, ["The picture's colour profile could not be used; sRGB is assumed."]
    return converted or plain, []


def _mean(file: Path, pixels: NDArray[np.float64], box: Box, name: str) -> tuple[NDArray[np.float64], float, float]:
    """Return the mean linear colour of the unclipped pixels, its standard error in ln, and the part "
    "clipped."""
    x, y, width, height = box
    high, wide = pixels.shape[:2]
    if width < 1 or height < 1 or x < 0 or y < 0 or x + width > wide or y + height > high:
        raise ReadError(
            f"the {name} {x} {y} {width} {height} does not lie within the picture of {wide} x {high} pixels.",
            mend="Give x y of its upper left corner, then width and height, in pixels.",
            file=file,
        )
    encoded = pixels[y : y + height, x : x + width].reshape(-1, 3)
    clipped = (encoded >= CLIPPED).any(axis=1)
    part = float(clipped.mean())
    if part > MOST_CLIPPED:
        raise ReadError(
            f"{100 * part:.0f} % of the {name} is overexposed: its colour is lost.",
            mend="Expose less, or choose a dimmer part of the glow.",
            file=file,
        )
    linear = decode(encoded[~clipped])
    mean = linear.mean(axis=0)
    if mean.max() < DARKEST:
        raise ReadError(
            f"the {name} is too dark: its colour is noise.",
            mend="Expose more, or choose a brighter part of the glow.",
            file=file,
        )
    blocks = max(len(linear) / 64, 1.0)  # JPEG keeps one colour per block of 8 x 8 or so
    return mean, float(np.max(linear.std(axis=0)) / mean.max() / np.sqrt(blocks)), part
