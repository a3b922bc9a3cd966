"""Lines and band heads a species shows: where, how strong, and whether they are its own."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.fitting import Solution
from glowledger.glow.likelihood import Drop
from glowledger.glow.one_peak import one_peak
from glowledger.glow.results import Feature
from glowledger.glow.scene import Scene
from glowledger.glow.shape_match import doubt_of_shape
from glowledger.glow.species_light import species_doubt, species_light, typical_light

FAINT_FEATURE = 0.01  # of the species' strongest: fainter ones are not listed
REACH_WIDTHS = 0.9  # half window for the counts of a feature, in line widths
CONTRAST_WIDTHS = 2.2  # half window for its significance, level and slope of the surroundings left free
LEAST_PIXELS = 4
FEATURE_EXTENT = 0.15  # of its top: how far a band reaches
BAND_REACH_NM = 8.0  # of a band from its head, for the same: further on the next band begins
CONTRAST_PIXELS = 3  # at least, on either side
FAINT_TYPICAL = 0.2  # of the strongest in the typical pattern: those must be looked for even if not fitted
SAME_FEATURE = 1.5  # line widths: closer tops are one feature
OWN_SHARE = 0.4  # of the line light at the feature must be the species'
# a main feature under bands that have factors of their own may have less: so many times what they err by, and this part
# of their light at least; nothing but a main feature can speak for a species that the others outshine everywhere
OWN_ERRORS = 5.0
LEAST_OWN = 0.15
MAIN = 0.5  # of the brightest in the typical pattern
OWN_SIGMA = 3.5
FLANK_PART = 0.25  # of the brightest pixel left of a line that is cut off
OFF_CENTRE = 0.25  # of the line width: light further off belongs to something else
# the same of a line beside the errors of its place: of 1341 true ones above 10 standard deviations two are further off
# (bench_identification.py, seed 868604)
LINE_OFF_CENTRE = 0.1
MOST_TESTS = 24
TINY = float(np.finfo(float).tiny)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class FeatureTest:
    """One feature with what decides on it.

    Attributes
    ----------
    feature : Feature
        As reported.
    sigma : float
        Significance of its light: the lesser of how it stands out of its surroundings, and of what is lost
        here when the species is dropped and all else refitted.
    standing_sigma : float
        How it stands out of its surroundings alone, all other species as fitted with it.
    expected_sigma : float
        Significance its fitted light would have with nothing else there.
    off_centre_nm, off_centre_se_nm : float
        Distance of the light from where the feature should stand.
    typical_part : float
        Its light in the typical pattern over that of the strongest feature of the pattern that can be tested.
    typical_sigma : float
        Significance that the whole typical pattern would have here per unit of `typical_part`.
    beside : float
        Counts of all other species here.
    share : float
        Of the line light here, the species' part.
    centred : bool
        The light stands where it should.
    band : bool
        A band of a molecule, not a line.
    murky : bool
        It would be the species' own, were it not faint enough for a line or band of something known only roughly.
    doubt : str
        Why it is not its own though it would be, from `doubt_of_shape`.
    well_centred : bool
        It stands there as well as a line must, though it may be a band.
    """

    feature: Feature
    sigma: float
    standing_sigma: float
    expected_sigma: float
    off_centre_nm: float
    off_centre_se_nm: float
    typical_part: float
    typical_sigma: float
    beside: float
    share: float
    centred: bool
    band: bool
    murky: bool
    doubt: str = ""
    well_centred: bool = True


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Given:
    """What all features of one species share; arrays of shape (p,), the light of s others of shape (s, p).

    `shown`, shape (5, p): what all others leave, the typical and the fitted light, and minus the slope of each.
    """

    scene: Scene
    solution: Solution
    columns: NDArray[np.intp]
    drop: Drop
    light: NDArray[np.float64]
    typical: NDArray[np.float64]
    shown: NDArray[np.float64]
    other_names: tuple[str, ...]
    other_light: NDArray[np.float64]
    murky: NDArray[np.float64]
    well_known: NDArray[np.float64]
    anchors: tuple[NDArray[np.float64], NDArray[np.float64], tuple[str, ...]]
    band: bool


def feature_tests(
    scene: Scene,
    solution: Solution,
    columns: NDArray[np.intp],
    drop: Drop,
    others: dict[str, NDArray[np.float64]],
    murky: NDArray[np.float64] | None = None,
) -> list[FeatureTest]:
    """Test every feature of a species.

    Parameters
    ----------
    scene, solution : Scene, Solution
        The fit.
    columns : ndarray of int
        Emitter columns of the species.
    drop : Drop
        What happens without it.
    others : dict of str to ndarray of shape (p,)
        Light of the other species.
    murky : ndarray of shape (p,), optional
        Counts below which a feature may be a band of something known only roughly.

    Returns
    -------
    list of FeatureTest
        Strongest first.
    """
    light = species_light(scene, solution, columns)
    if not np.any(light > 0):
        return []
    typical = typical_light(scene, solution, columns)
    given = _Given(
        scene=scene, solution=solution, columns=columns, drop=drop, light=light, typical=typical,
        shown=np.stack(
            [
                scene.data - solution.model + light, typical, light,
                -np.gradient(typical, scene.axis_nm), -np.gradient(light, scene.axis_nm),
            ]
        ),
        other_names=tuple(others), other_light=np.reshape(list(others.values()), (len(others), light.size)),
        murky=np.zeros(light.size) if murky is None else murky, anchors=_anchors(scene, solution.x[columns], columns),
        well_known=np.maximum(solution.doubt[2] - species_doubt(scene, solution, columns)[2], 0.0),
        band=_is_band(scene, columns),
    )  # fmt: skip
    tops = np.union1d(_tops(light), _tops(typical, FAINT_TYPICAL))
    apart = SAME_FEATURE * float(scene.line_spread.fwhm(float(np.median(scene.axis_nm))))
    chosen = _distinct(scene.axis_nm, light + 1e-6 * light.max() * typical, tops, apart)
    found = [(top, test) for top in chosen if (test := _test(given, top)) is not None]
    tests = _one_for_each_peak(given, found)
    tests.sort(key=lambda test: -test.feature.counts)
    return _by_strongest_told(tests)[:MOST_TESTS]


def _one_for_each_peak(given: _Given, found: list[tuple[int, FeatureTest]]) -> list[FeatureTest]:
    """Return the tests, by their tops, with those not clean that stand in the foot of a brighter one."""
    bright = sorted(found, key=lambda one: -one[1].feature.counts)
    kept: list[int] = []
    tests = []
    shown, variance = given.shown[[0, 2, 4]], given.drop.variance
    for top, test in bright:
        if test.feature.clean and not test.band:
            if any(one_peak(given.scene, given.solution, shown, variance, (other, top)) for other in kept):
                test = replace(test, feature=replace(test.feature, clean=False))
            else:
                kept.append(top)
        tests.append(test)
    return tests


def _by_strongest_told(tests: list[FeatureTest]) -> list[FeatureTest]:
    """Return the tests with typical parts of the strongest that can be tested: a brighter feature may be cut off."""
    most = max((test.typical_part for test in tests), default=0.0)
    if most <= 0:
        return tests
    return [
        replace(test, typical_part=test.typical_part / most, typical_sigma=test.typical_sigma * most) for test in tests
    ]


def _outshone(given: _Given, near: NDArray[np.intp], counts: float, beside: float, typical_part: float) -> bool:
    """Return whether a feature lies under so many counts of others that it may be an error of theirs."""
    most, known, solution = OWN_SHARE / (1.0 - OWN_SHARE), 0.0, given.solution
    others = float((solution.lines - given.light)[near].sum())
    if typical_part >= MAIN and others > 0:
        known = min(float(given.well_known[near].sum()) / others, 1.0)  # the part of it in bands with factors
    error = min(max(OWN_ERRORS * solution.levels.within, LEAST_OWN), most)
    return counts < (known * error + (1.0 - known) * most) * beside


def _distinct(
    axis_nm: NDArray[np.float64], light: NDArray[np.float64], tops: NDArray[np.intp], apart_nm: float
) -> list[int]:
    """Return the brighter of tops that are too close to be two features."""
    kept: list[int] = []
    for top in tops[np.argsort(-light[tops], kind="stable")]:
        if all(abs(axis_nm[top] - axis_nm[other]) > apart_nm for other in kept):
            kept.append(int(top))
    return kept


def _tops(light: NDArray[np.float64], faint: float = FAINT_FEATURE) -> NDArray[np.intp]:
    """Return the local maxima of light above a part of its highest."""
    padded = np.concatenate([[-np.inf], light, [-np.inf]])
    top = (light > padded[:-2]) & (light >= padded[2:]) & (light > faint * light.max())
    return np.flatnonzero(top)


def _test(given: _Given, top: int) -> FeatureTest | None:
    """Test one feature; None where too few of its pixels are used (its top may be saturated, its flanks tell)."""
    scene, solution, light = given.scene, given.solution, given.light
    fwhm = solution.fwhm_at(scene, top)
    pixel = scene.pixel_nm
    near, around = _pixels_of(given, top, fwhm)
    if around.size < LEAST_PIXELS:
        return None
    counts = float(light[near].sum())
    dark = bool(light[top] < 1e-3 * light.max())  # not fitted at all: looked for by its typical pattern
    if given.band:
        whole = _whole_band(scene, given.typical if dark else light, top, max(1, round(fwhm / pixel)))
        around = np.union1d(around, whole)
    cleaned = _over_level(given, around, top)
    typical = _contrast(cleaned[0], cleaned[1], cleaned[3])
    found, error, offset, offset_error = typical if dark else _contrast(cleaned[0], cleaned[2], cleaned[4])
    sigma = found / error if dark else min(found / error, _lost(given, top, around))
    beside = given.other_light[:, near].sum(axis=1)
    share = counts / max(counts + float(beside.sum()), TINY)
    doubt = np.sqrt(offset_error**2 + solution.shift_error_at(scene, top) ** 2 + scene.priors.finer_nm**2)
    centred = bool(abs(offset) < _slack(given) * max(fwhm, pixel) + 2.0 * doubt)
    noise = float(np.sqrt(given.drop.variance[near].sum()))
    part = float(given.typical[near if scene.used[top] else [top]].max())
    own = bool(not _outshone(given, near, counts, float(beside.sum()), part) and sigma >= OWN_SIGMA and centred)
    label, murky = _label(given, top, fwhm), bool(counts <= given.murky[top])
    strange = doubt_of_shape(scene, solution, light, (top, near, around), share).format(label) if own else ""
    feature = Feature(
        label=label,
        wavelength_nm=float(scene.axis_nm[top] + solution.shift_at(scene, top)),
        counts=counts,
        standard_error=counts * float(np.hypot(error, solution.levels.template_error)),
        overlaps=tuple(given.other_names[k] for k in np.flatnonzero(beside > 0.1 * max(counts, noise))),
        clean=own and not murky and not strange,
    )
    return FeatureTest(
        feature=feature,
        sigma=sigma,
        standing_sigma=found / error, expected_sigma=0.0 if dark else 1.0 / error,
        off_centre_nm=offset, off_centre_se_nm=offset_error,
        typical_part=part,
        typical_sigma=1.0 / typical[1] / max(part, 1e-12),
        beside=float(beside.sum()), share=share, centred=centred,
        well_centred=bool(abs(offset) < LINE_OFF_CENTRE * max(fwhm, pixel) + 2.0 * doubt),
        band=given.band,
        murky=own and murky and not strange,
        doubt=strange,
    )  # fmt: skip


def _pixels_of(given: _Given, top: int, fwhm: float) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return the pixels in use that a feature fills, and those around it against which it stands out."""
    scene, pixel = given.scene, given.scene.pixel_nm
    near = _used_within(scene, top, max(REACH_WIDTHS * fwhm, pixel))
    around = _used_within(scene, top, max(CONTRAST_WIDTHS * fwhm, CONTRAST_PIXELS * pixel))
    if not near.size:
        near = around
    if near.size and not scene.used[top]:  # cut off: of what is left its flanks tell, not those of its neighbours
        near = near[given.light[near] >= FLANK_PART * given.light[near].max()]
    return near, around


def _whole_band(scene: Scene, light: NDArray[np.float64], top: int, beyond: int) -> NDArray[np.intp]:
    """Return the pixels in use of a band from head to tail and some beyond.

    Within a few line widths of its head a broad band looks like a level with a slope.
    """
    dim = np.flatnonzero(light <= FEATURE_EXTENT * light[top])
    left, right = int(dim[dim < top].max(initial=0)), int(dim[dim > top].min(initial=light.size - 1))
    here = _used_within(scene, top, BAND_REACH_NM)
    return here[(here >= left - beyond) & (here <= right + beyond)]


def _used_within(scene: Scene, top: int, reach_nm: float) -> NDArray[np.intp]:
    """Return the pixels in use within a distance of one."""
    at = scene.axis_nm[top]
    first = int(np.searchsorted(scene.axis_nm, at - reach_nm))
    last = int(np.searchsorted(scene.axis_nm, at + reach_nm, side="right"))
    return first + np.flatnonzero(scene.used[first:last])


def _is_band(scene: Scene, columns: NDArray[np.intp]) -> bool:
    return any("-" in scene.emitters[i].label.split()[1] for i in columns)


def _slack(given: _Given) -> float:
    """Return how far off centre a feature may be, in line widths: a band's shape errs with temperature."""
    return 1.6 * OFF_CENTRE if given.band else LINE_OFF_CENTRE


def _lost(given: _Given, top: int, around: NDArray[np.intp]) -> float:
    """Return the significance of what is lost over the whole feature without the species."""
    dim = np.flatnonzero(given.light <= FEATURE_EXTENT * given.light[top])
    after = int(np.searchsorted(dim, top))
    left = int(dim[after - 1]) + 1 if after > 0 else 0
    right = int(dim[after]) if after < dim.size else given.light.size
    extent = np.union1d(around, left + np.flatnonzero(given.scene.used[left:right]))
    drop = given.drop
    worse = (drop.residual[extent] ** 2 - drop.residual_with[extent] ** 2) / drop.variance[extent]
    return float(np.sqrt(max(float(worse.sum()), 0.0)))


def _over_level(given: _Given, at: NDArray[np.intp], top: int) -> NDArray[np.float64]:
    """Return `shown` in some pixels in standard deviations, what a level and a slope can give taken out, shape (5, k).

    A broad rise that no species explains must not pass for a line.
    """
    root = 1.0 / np.sqrt(given.drop.variance[at])
    level = root / np.sqrt(root @ root)
    rise = (given.scene.axis_nm[at] - given.scene.axis_nm[top]) * root
    rise -= level * (level @ rise)
    rise /= np.sqrt(rise @ rise)
    smooth = np.stack([level, rise])
    scaled = given.shown[:, at] * root
    return np.asarray(scaled - (scaled @ smooth.T) @ smooth)


def _contrast(
    rest: NDArray[np.float64], shape: NDArray[np.float64], tilt: NDArray[np.float64]
) -> tuple[float, float, float, float]:
    """Fit what is shown around a feature by its light, all from `_over_level`.

    Returns the amount in units of the light and its standard error, then the distance off centre and its standard
    error, nm; `tilt` is minus the slope of the light.
    """
    information = max(float(shape @ shape), TINY)
    found = float(shape @ rest) / information
    upright = tilt - shape * (float(shape @ tilt) / information)
    tilt_information = max(float(upright @ upright), TINY)
    part = max(found, 0.05)
    offset = float(upright @ rest) / tilt_information / part
    return found, 1.0 / float(np.sqrt(information)), offset, 1.0 / float(np.sqrt(tilt_information)) / part


def _label(given: _Given, top: int, fwhm: float) -> str:
    """Return the name of the strongest line or band at a pixel, lit ones first."""
    scene, columns = given.scene, given.columns
    place = scene.axis_nm[top] + given.solution.shift_at(scene, top)
    name = _strongest(given.anchors, place, fwhm)
    if not name:
        amounts = np.where(given.solution.x[columns] > 0, 0.0, [scene.emitters[i].weight for i in columns])
        name = _strongest(_anchors(scene, amounts, columns), place, fwhm)
    return name or _beside(scene, given.solution, columns, top)


def _strongest(
    anchors: tuple[NDArray[np.float64], NDArray[np.float64], tuple[str, ...]], place_nm: float, fwhm: float
) -> str:
    """Return the name of the strongest of `_anchors` near a place, or ''."""
    at, light, names = anchors
    near = np.flatnonzero(np.abs(at - place_nm) < 1.2 * fwhm)
    return names[int(near[np.argmax(light[near])])] if near.size else ""


def _anchors(
    scene: Scene, amounts: NDArray[np.float64], columns: NDArray[np.intp]
) -> tuple[NDArray[np.float64], NDArray[np.float64], tuple[str, ...]]:
    """Return place, light and name of every line and band head of the emitters of a species with any amount."""
    lit = [(scene.emitters[i], float(amount)) for i, amount in zip(columns, amounts, strict=True) if amount > 0]
    nm = np.concatenate([np.zeros(0), *(e.anchor_nm for e, _ in lit)])
    light = np.concatenate([np.zeros(0), *(e.anchor_rate * x for e, x in lit)])
    return nm, light, tuple(name for e, _ in lit for name in e.anchor_label)


def _beside(scene: Scene, solution: Solution, columns: NDArray[np.intp], top: int) -> str:
    """Return whose tail gives the light at a pixel where no line and no band head lies."""
    light = solution.templates[top, columns] * solution.x[columns]
    if not light.any():
        light = solution.templates[top, columns] * np.array([scene.emitters[c].weight for c in columns])
    emitter = scene.emitters[columns[int(np.argmax(light))]]
    if not emitter.anchor_nm.size:
        return emitter.label
    place = scene.axis_nm[top] + solution.shift_at(scene, top)
    nearest = int(np.argmin(np.abs(emitter.anchor_nm - place)))
    return f"{emitter.anchor_label[nearest]} tail"
