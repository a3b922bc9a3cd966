"""What a given spectrometer and window would record of a gas mixture, and which species it would show.

The product's own forward model run forward, so it is no test of it. Limits are those of an ideal observer who
knows every template: the matched filter beside all other light (the Cramér-Rao bound), and Currie's detection
limit. Real templates err by some per cent, so what is near a limit here is out of reach in practice.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from glowledger.bench.model import Bench, LineSpread
from glowledger.errors import FitError
from glowledger.glow.background import background_basis
from glowledger.glow.choosing import chosen_emitters
from glowledger.glow.emitters import Emitter, summed
from glowledger.glow.line_shape import LineShape
from glowledger.glow.response_guess import expected_response, window_transmission
from glowledger.glow.templates import emission_grid, pixel_edges
from glowledger.tables.species import ListedSpecies

SILICON_NM = (150.0, 1300.0)
BLOCKED_BELOW = 0.05  # transmission of the window
SURE_SIGMA, DOUBTFUL_SIGMA = 5.0, 3.0  # as for verdicts
CURRIE = 2 * 1.6448536269514722  # detection limit over standard error: Currie, Anal. Chem. 40, 586 (1968)
SAME_FEATURE = 1.5  # line widths
AROUND_FEATURE = 2.5  # line widths on either side that tell of a feature
UNFELT_SIGMA = 1e-2  # so little of another species here is known well enough from its light elsewhere
MOST_FEATURES = 3
FAINTEST_FEATURE = 0.05  # of the species' strongest


@dataclass(frozen=True, slots=True, kw_only=True)
class FeatureOutlook:
    """One line or band head: what would be seen of it.

    Attributes
    ----------
    label : str
        ``OH A-X (0,0)``.
    wavelength_nm : float
        nm in air.
    counts : float
        Expected counts within one line width on either side.
    sigma : float
        Standard deviations by which it would stand out of its surroundings and the other light there.
    blocked : bool
        The window stops it.
    """

    label: str
    wavelength_nm: float
    counts: float
    sigma: float
    blocked: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """What would be seen of one species; cannot be built without its reason.

    Attributes
    ----------
    name : str
        Standard notation.
    share : float
        Part of all photons that the glow sends out.
    counts, standard_error : float
        Expected counts in range, and the least standard error any unbiased measurement can have.
    sigma : float
        Standard deviations of the whole species for an observer who knows all templates.
    smallest_share : float
        Share that would be detected in 95 % of cases (Currie 1968); NaN where nothing of it is recorded.
    visible : str
        ``visible``, ``doubtful``, ``too faint``, ``hidden by the window``, ``outside the range``.
    reason : str
        One plain sentence.
    features : tuple of FeatureOutlook
        Strongest first.
    """

    name: str
    share: float
    counts: float
    standard_error: float
    sigma: float
    smallest_share: float
    visible: str
    reason: str
    features: tuple[FeatureOutlook, ...]

    def __post_init__(self) -> None:
        if not self.reason:
            raise ValueError("an outlook needs its reason")


@dataclass(frozen=True, slots=True, kw_only=True)
class Exposure:
    """How the spectrum is exposed.

    Attributes
    ----------
    peak_counts : float
        Counts of the brightest pixel at `factor` 1.
    factor : float
        Exposure time relative to that.
    counts_per_electron, read_noise_counts, ceiling_counts : float
        The detector.
    averages : int
        Scans averaged.
    continuum : float
        Smooth light as part of the light of lines and bands.
    """

    peak_counts: float = 40_000.0
    factor: float = 1.0
    counts_per_electron: float = 1.0
    read_noise_counts: float = 20.0
    ceiling_counts: float = 65_535.0
    averages: int = 1
    continuum: float = 0.05


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Recording:
    """One simulated exposure.

    Attributes
    ----------
    axis_nm, counts, expected, standard_deviation : ndarray of shape (p,)
        Axis, counts with noise, counts without, noise.
    saturated : ndarray of bool, shape (p,)
        Pixels at the ceiling.
    outlooks : tuple of Outlook
        One per species, in the order given.
    exposure : Exposure
        As asked for.
    """

    axis_nm: NDArray[np.float64]
    counts: NDArray[np.float64]
    expected: NDArray[np.float64]
    standard_deviation: NDArray[np.float64]
    saturated: NDArray[np.bool_]
    outlooks: tuple[Outlook, ...]
    exposure: Exposure


@dataclass(frozen=True, slots=True, eq=False)
class _Light:
    """Expected counts per species, shape (p, s), of smooth light, and their noise; variance per count."""

    species: NDArray[np.float64]
    smooth: NDArray[np.float64]
    variance: NDArray[np.float64]
    gain: float


def record_glow(
    light: tuple[tuple[ListedSpecies, float], ...],
    axis_nm: NDArray[np.float64],
    line_spread: LineSpread,
    bench: Bench,
    exposure: Exposure,
    *,
    t_rot_k: float = 500.0,
    seed: int = 1,
) -> Recording:
    """Simulate one exposure of a gas mixture and say what it would show.

    Parameters
    ----------
    light : tuple of (species, share)
        Photons each sends out, in any unit; levels in typical proportions, which real glows leave.
    axis_nm : ndarray of shape (p,)
        Pixel centres, nm in air.
    line_spread : LineSpread
        Line width and shape.
    bench : Bench
        Window, and response if known; else that of a usual silicon spectrometer.
    exposure : Exposure
        Counts and noise.
    t_rot_k : float
        Rotational temperature of all molecules, K.
    seed : int
        Of the noise.

    Returns
    -------
    Recording

    Raises
    ------
    FitError
        If no light of the mixture reaches the detector.
    """
    emitters = [chosen_emitters((one,), frozenset(), {one.name: t_rot_k}, *SILICON_NM) for one, _ in light]
    shares = np.array([share for _, share in light]) / sum(share for _, share in light)
    templates = np.stack([_template(group, axis_nm, line_spread) for group in emitters], axis=1) * shares
    response = expected_response(axis_nm, bench)
    passed = window_transmission(axis_nm, bench)[0]
    recorded = _exposed(templates * response[:, None], response, exposure)
    rng = np.random.default_rng(seed)
    expected = recorded.species.sum(axis=1) + recorded.smooth
    electrons = rng.poisson(expected / exposure.counts_per_electron * exposure.averages) / exposure.averages
    noise = exposure.read_noise_counts / np.sqrt(exposure.averages)
    counts = electrons * exposure.counts_per_electron + noise * rng.standard_normal(axis_nm.size)
    saturated = counts >= exposure.ceiling_counts
    basis = background_basis(axis_nm, float(line_spread.fwhm(float(np.median(axis_nm)))))
    open_ = ~saturated & (expected < exposure.ceiling_counts)
    outlooks = tuple(
        _outlook(k, one, float(shares[k]), emitters[k], axis_nm, line_spread, recorded, basis, open_, passed)
        for k, (one, _) in enumerate(light)
    )
    return Recording(
        axis_nm=axis_nm, counts=np.minimum(np.round(counts, 2), exposure.ceiling_counts), expected=expected,
        standard_deviation=np.sqrt(recorded.variance), saturated=saturated, outlooks=outlooks, exposure=exposure,
    )  # fmt: skip


def _template(
    emitters: tuple[Emitter, ...], axis_nm: NDArray[np.float64], line_spread: LineSpread
) -> NDArray[np.float64]:
    """Return the typical light of a species in each pixel per photon it sends out, shape (p,)."""
    typical = summed(emitters, "typical")
    shape = LineShape(lorentz_fraction=line_spread.lorentz_fraction, asymmetry=line_spread.asymmetry)
    grid = emission_grid(
        [typical.wavelength_nm], [typical.rate], line_spread, float(axis_nm[0]), float(axis_nm[-1])
    )
    return np.maximum(grid.spread(shape).on_pixels(pixel_edges(axis_nm))[:, 0], 0.0)


def _exposed(light: NDArray[np.float64], response: NDArray[np.float64], exposure: Exposure) -> _Light:
    """Scale detected light to the exposure and add smooth light and noise."""
    if not light.sum() > 0:
        raise FitError(
            "no light of this mixture reaches the detector.", mend="Choose another range, window or mixture."
        )
    smooth = exposure.continuum * response * light.sum() / response.sum()
    scale = exposure.peak_counts * exposure.factor / float((light.sum(axis=1) + smooth).max())
    species, smooth = scale * light, scale * smooth
    photon = exposure.counts_per_electron * (species.sum(axis=1) + smooth)
    variance = (exposure.read_noise_counts**2 + photon) / exposure.averages
    return _Light(species, smooth, variance, exposure.counts_per_electron / exposure.averages)


def _outlook(
    k: int,
    one: ListedSpecies,
    share: float,
    emitters: tuple[Emitter, ...],
    axis_nm: NDArray[np.float64],
    line_spread: LineSpread,
    recorded: _Light,
    basis: NDArray[np.float64],
    usable: NDArray[np.bool_],
    passed: NDArray[np.float64],
) -> Outlook:
    own = recorded.species[:, k]
    counts = float(own.sum())
    others = np.column_stack([np.delete(recorded.species, k, axis=1), basis, np.ones(axis_nm.size)])
    sigma = _stands_out(own, others, recorded.variance, usable)
    without = recorded.variance - recorded.gain * own  # the limit is that of a glow without the species
    limit = _stands_out(own, others, without, usable)
    features = _features(emitters, own, recorded, k, axis_nm, line_spread, usable, passed)
    visible, reason = _said(sigma, features, axis_nm)
    return Outlook(
        name=one.name, share=share, counts=counts, sigma=sigma, features=features, visible=visible, reason=reason,
        standard_error=counts / sigma if sigma > 0 else float("nan"),
        smallest_share=CURRIE * share / limit if limit > 0 else float("nan"),
    )  # fmt: skip


def _stands_out(
    own: NDArray[np.float64],
    others: NDArray[np.float64],
    variance: NDArray[np.float64],
    where: NDArray[np.bool_],
) -> float:
    """Return amount over standard error of `own` with all others free: the Cramér-Rao bound of a linear model."""
    root = 1.0 / np.sqrt(variance[where])
    mine, rest = own[where] * root, others[where] * root[:, None]
    norm = np.linalg.norm(rest, axis=0)
    rest = rest[:, norm > 0] / norm[norm > 0]
    left = mine - rest @ np.linalg.lstsq(rest, mine, rcond=1e-10)[0]
    return float(np.sqrt(left @ left))


def _features(
    emitters: tuple[Emitter, ...],
    own: NDArray[np.float64],
    recorded: _Light,
    k: int,
    axis_nm: NDArray[np.float64],
    line_spread: LineSpread,
    usable: NDArray[np.bool_],
    passed: NDArray[np.float64],
) -> tuple[FeatureOutlook, ...]:
    """Return the strongest lines or heads in range, by what the glow sends out there."""
    nm = np.concatenate([e.anchor_nm for e in emitters])
    rate = np.concatenate([e.anchor_rate * e.weight for e in emitters])
    labels = [text for e in emitters for text in e.anchor_label]
    inside = (nm >= axis_nm[0]) & (nm <= axis_nm[-1]) & (rate > FAINTEST_FEATURE * rate.max(initial=0.0))
    kept: list[int] = []
    for i in np.argsort(-rate, kind="stable"):
        fwhm = float(line_spread.fwhm(nm[i]))
        if inside[i] and all(abs(nm[i] - nm[j]) > SAME_FEATURE * fwhm for j in kept):
            kept.append(int(i))
    found = []
    for i in kept:
        fwhm = float(line_spread.fwhm(nm[i]))
        distance = np.abs(axis_nm - nm[i])
        around = (distance < max(AROUND_FEATURE * fwhm, 4 * float(np.median(np.diff(axis_nm))))) & usable
        level = np.stack([np.ones(axis_nm.size), axis_nm - nm[i]], axis=1)
        others = np.delete(recorded.species, k, axis=1)
        felt = np.sum(others[around] ** 2 / recorded.variance[around, None], axis=0) > UNFELT_SIGMA**2
        others = np.column_stack([others[:, felt], level])
        found.append(
            FeatureOutlook(
                label=labels[i],
                wavelength_nm=float(nm[i]),
                counts=float(own[distance < fwhm].sum()),
                sigma=_stands_out(own, others, recorded.variance, around) if around.any() else 0.0,
                blocked=bool(np.interp(nm[i], axis_nm, passed) < BLOCKED_BELOW),
            )
        )
    found.sort(key=lambda f: -f.sigma)
    return tuple(found[:MOST_FEATURES])


def _said(
    sigma: float, features: tuple[FeatureOutlook, ...], axis_nm: NDArray[np.float64]
) -> tuple[str, str]:
    """Return the word and the sentence on one species."""
    if not features and sigma < SURE_SIGMA:
        return "outside the range", f"nothing strong of it lies between {axis_nm[0]:.0f} and {axis_nm[-1]:.0f} nm"
    if features and all(f.blocked for f in features):
        places = ", ".join(f"{f.wavelength_nm:.1f}" for f in features)
        return "hidden by the window", f"the window stops its light ({places} nm)"
    best = f"{features[0].label} at {features[0].wavelength_nm:.1f} nm" if features else "its fainter lines"
    if sigma >= SURE_SIGMA:
        return "visible", f"{best} shows it best"
    if sigma >= DOUBTFUL_SIGMA:
        return "doubtful", f"{best} would show at the edge of noise; expose longer or average more"
    return "too faint", f"{best} drowns in noise or in other light"
