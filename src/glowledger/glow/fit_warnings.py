"""What a user must know of a fit before believing it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.daylight import daylight
from glowledger.glow.fitting import Solution
from glowledger.glow.likelihood import unexplained_part
from glowledger.glow.no_light import NO_LIGHT, no_light
from glowledger.glow.optical_depth import absorption_warning
from glowledger.glow.results import SpeciesEvidence
from glowledger.glow.scene import Scene
from glowledger.glow.start_search import ASTRAY
from glowledger.glow.verdicts import in_percent
from glowledger.glow.visibility import Visibility, unlit
from glowledger.spectra.cosmic_rays import cosmic_rays
from glowledger.spectra.frames import Frames
from glowledger.spectra.noise import coarse_warning
from glowledger.spectra.unlike_frames import unlike_frames

GHOST_SIGMA = 5.0
SMOOTHED_FACTOR = 1.5  # of the variance of a fitted line: less is not worth a word
POOR_FIT = 0.15  # of templates: they err by more
MOSTLY_FOUND = 0.5  # of the light
FEW_PLACES, FEW_PIXELS = 3, 5  # how many, and how wide at most, hot pixels and tracks of cosmic rays are
FAR_OFF = 3.0  # standard deviations of what the axis may be off


def fit_warnings(
    frames: Frames,
    whole: Scene,
    fit: tuple[Scene, Solution],
    seen: Visibility,
    evidence: tuple[SpeciesEvidence, ...],
    *,
    calibrated: bool,
) -> tuple[str, ...]:
    """Return what a user must know of a fit before believing it, a sentence each.

    Parameters
    ----------
    frames : Frames
        What was fitted.
    whole : Scene
        All its pixels.
    fit : (Scene, Solution)
        The final fit.
    seen : Visibility
        Which pixels could show light.
    evidence : tuple of SpeciesEvidence
        The verdicts.
    calibrated : bool
        Whether a lamp has placed the axis.

    Returns
    -------
    tuple of str
    """
    found, (scene, solution) = [], fit
    if len(frames) > 1:
        found.append(f"the mean of {len(frames)} frames was used")
        found.extend(said for said in (_of_unlike(frames), _of_cosmic_rays(frames), coarse_warning(frames)) if said)
    dark = no_light(whole.data[whole.used]) and not any(one.verdict in ("present", "possible") for one in evidence)
    if dark:
        found.append(NO_LIGHT)
    else:
        found_share = sum(one.share for one in evidence if one.verdict == "present")
        placed = found_share > MOSTLY_FOUND and solution.levels.template_error < POOR_FIT
        found.extend(_of_the_axis(scene, solution, calibrated=calibrated, placed=placed))
    masked = int((~whole.used).sum())
    if masked:
        found.append(f"{masked} pixels were left out (saturated, hot, dead or missing)")
    if solution.levels.shared > SMOOTHED_FACTOR:
        found.append(
            "neighbouring pixels share their noise: the spectrum was smoothed or resampled before it was written; "
            "errors and limits allow for it"
        )
    if dark:
        return tuple(found)
    if solution.levels.template_error > POOR_FIT:
        found.append(
            f"lines and bands fit only to {100 * solution.levels.template_error:.0f} %: line shape, response or an "
            "unlisted emitter is wrong, so faint species are hidden"
        )
    ghost = solution.columns[:, -1] * solution.x[-1]
    if np.any(ghost[scene.used] > GHOST_SIGMA * np.sqrt(solution.variance[scene.used])):
        at = float(scene.axis_nm[int(np.argmax(np.where(scene.used, ghost, 0.0)))])
        found.append(
            f"second-order light was fitted (strongest at {at:.0f} nm, from {at / 2:.0f} nm); a long-pass filter "
            "before the slit removes it"
        )
    strange = unexplained_part(scene, solution)
    if strange > 0.01:
        found.append(
            f"{in_percent(strange)} of the light fits no listed species (in hydrogen, the many unlisted lines of "
            "H2): faint species are not claimed"
        )
    found.extend(_of_the_ends(scene, seen))
    if daylight(scene, solution):
        found.append("the dark lines of daylight are seen: keep daylight from the fibre, it hides faint species")
    absorbed = absorption_warning(evidence)
    if absorbed:
        found.append(absorbed)
    return tuple(found)


def _of_unlike(frames: Frames) -> str:
    """Return what to say of frames that are not of one glow, or ''."""
    unlike = unlike_frames(frames)
    if not unlike.size:
        return ""
    number = int(unlike[0])
    column = frames.origins[number].column if number < len(frames.origins) else None
    named = f"'{column}'" if column else f"frame {number + 1}"
    return (
        f"the frames are not of one glow: {named} has much light where most have none; judge each by itself, as a file "
        "of its own, or follow a run with 'track'"
    )


def _of_cosmic_rays(frames: Frames) -> str:
    """Return what to say of light that stands in a few pixels of one frame alone, or ''."""
    rays = cosmic_rays(frames)
    if not rays:
        return ""
    most = max(rays, key=lambda ray: ray.counts)
    more = f", and {len(rays) - 1} more such" if len(rays) > 1 else ""
    return (
        f"light near {frames.axis[most.first]:.1f} nm stands in frame {most.frame + 1} alone{more}, and was left out: "
        "a cosmic ray, or a flash; look at that frame by itself if it may be one"
    )


def _of_the_ends(scene: Scene, seen: Visibility) -> list[str]:
    """Return what may stop the light beyond the last that is seen, where something seems to."""
    found = []
    if unlit(scene, seen):
        found.append(f"no light is seen below {seen.lit_from_nm:.0f} nm; a window there would explain it")
    if np.isfinite(scene.cut_above_nm):
        found.append(
            f"no light is seen above {scene.cut_above_nm:.0f} nm, where what glows here should have some: a filter, as "
            "in most cameras, would explain it"
        )
    return found


def _of_the_axis(scene: Scene, solution: Solution, *, calibrated: bool, placed: bool) -> list[str]:
    """Return what the fit tells of light out of place, or of a wavelength axis that is far off, or nothing.

    The shift of a fit is that of the axis only where the fit is good and finds most of the light for certain.
    """
    if solution.chi2_reduced > ASTRAY:
        over = np.where(scene.used, (scene.data - solution.model) / np.sqrt(solution.pixel_variance(scene)), 0.0)
        at = float(scene.axis_nm[int(np.argmax(over))])
        if float(np.mean(_elsewhere(over[scene.used], scene.pixels_per_line) ** 2)) < ASTRAY:
            misplaced = "" if calibrated else "; if it is a line out of its place, calibrate the axis with a lamp"
            return [
                f"light near {at:.1f} nm stands in a few pixels where nothing listed has any: a hot pixel, a cosmic "
                "ray, or a line that is not listed; see whether it stays in another recording and with the plasma off"
                f"{misplaced}"
            ]
        said = f"light stands where nothing listed has any, most clearly at {at:.1f} nm: "
        if calibrated:
            return [f"{said}an emitter that is not listed, or a ghost of the spectrometer"]
        return [f"{said}the wavelength axis may be far off: calibrate with a lamp"]
    off, middle = solution.shift_at(scene, scene.axis_nm.size // 2), scene.axis_nm[scene.axis_nm.size // 2]
    if not placed or abs(off) < FAR_OFF * scene.priors.shift_nm[0]:
        return []
    return [f"near {middle:.0f} nm the wavelength axis is off by {abs(off):.1f} nm; calibrate it with a lamp"]


def _elsewhere(over: NDArray[np.float64], pixels_per_line: float) -> NDArray[np.float64]:
    """Return what is left over, shape (k,), but for the few places narrower than half a line where most is."""
    pixels = np.arange(over.size)
    beside = max(int(min(0.5 * pixels_per_line, FEW_PIXELS) - 1.0) // 2, 0)  # a line out of place is not that narrow
    for _ in range(FEW_PLACES):
        top = pixels[np.argmax(np.abs(over))]
        kept = np.abs(pixels - top) > beside
        over, pixels = over[kept], pixels[kept]
    return over
