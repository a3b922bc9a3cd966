"""The whole lamp spectrum under a trial scale: every listed line at once, each with a strength of its own.

Peaks alone say little where lines stand close: one centre for several lines. Fitted to the counts, all the lines near a
peak explain its place and its shape, and the dark between peaks speaks as well. So curves that the peaks do not tell
apart are told apart here.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.polynomial.chebyshev import chebder, chebval, chebvander
from numpy.typing import NDArray

from glowledger.bench.shots import Shot
from glowledger.bench.whole_part import BINS_PER_WIDTH, Part, State

Floats = NDArray[np.float64]
Freed = tuple[frozenset[int], ...]  # peaks of each spectrum

STRANGE_PRICE = 5.0  # natural log: of a peak that no line explains (chance of a stranger, room for a line)
MOST_FREED, FREED = 3, 5.0  # peaks taken for strangers' beside a line; natural log of the odds that this must bring
PULLED_STEPS = 2  # Gauss-Newton steps after which it shows which peaks pull, and by how much
LARGEST_STEP = 0.5  # of the FWHM
MOST_STRANGE, FEW_STRANGE = 0.25, 3  # peaks that no line explains: share, number that is no sign of another lamp
LEAST_CHI2 = 0.5
MOST_MISFIT = 4.0  # mean square residual over its variance
LITTLE = 0.3  # fall of the loss, a twentieth of a unit of log odds at most, after which steps gain no more
# work on each spectrum of an instrument after which nothing more is asked: products of lines with lines, and what a
# weighing costs besides, as many of them. Of 1050 instruments (the fleets of bench_calibration.py, seeds from 518000
# and 520000) none came above 4.1 million, and nine in ten below 1 million
MOST_WORK, WORK_OF_WEIGHING = 4_500_000, 25_000
HOPELESS = 30.0  # natural log of the odds against a curve after one step, which never gains so much by another


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class WholeFit:
    """A scale drawn to the whole spectrum.

    Attributes
    ----------
    scale : ndarray of shape (d + 1,)
        Chebyshev coefficients, nm.
    loss : float
        Sum of squares over variances, strengths included.
    strange, peaks : int
        Peaks of no line of the lamp, and of all.
    chi2 : float
        Mean square of the residuals over their variance.
    covariance : ndarray of shape (d + 1, d + 1)
        Of the coefficients, nm²: misfits beyond noise counted once in a line width.
    states : tuple of State
        The light in each spectrum.
    freed : tuple of frozenset of int
        Peaks of each spectrum that are strangers' although a line of the lamp is near.
    """

    scale: Floats
    loss: float
    strange: int
    peaks: int
    chi2: float
    covariance: Floats
    states: tuple[State, ...]
    freed: Freed

    def standard_error_nm(self, u: Floats) -> Floats:
        """Return the standard error of the scale at u, nm, same shape."""
        basis = chebvander(np.asarray(u, dtype=np.float64), len(self.scale) - 1)
        return np.sqrt(np.einsum("...i,ij,...j->...", basis, self.covariance, basis))

    @property
    def worth(self) -> float:
        """Loss that is worth one unit of log odds."""
        return 2.0 * BINS_PER_WIDTH * max(self.chi2, 1.0)

    @property
    def misfit_of_lines(self) -> float:
        """Mean square of the residuals over their variance at sharp lines of the lamp; infinite without any."""
        squares = np.concatenate([state.residual[state.part.at_lines(self.scale)] ** 2 for state in self.states])
        return float(np.mean(squares)) if len(squares) else np.inf

    @property
    def of_phosphors(self) -> bool:
        """Whether the lamp has phosphor bands."""
        return any(not np.all(state.part.lines.anchor) for state in self.states)

    @property
    def few_strange(self) -> bool:
        """Whether so few peaks are of no line of the lamp that they are no sign of another one."""
        return self.strange <= max(MOST_STRANGE * self.peaks, FEW_STRANGE)

    @property
    def trusted(self) -> bool:
        """Whether the lines of the lamp describe the spectrum: else misfits and strangers decide, not places."""
        return self.chi2 < MOST_MISFIT and self.few_strange

    def log_odds(self, other: WholeFit) -> float:
        """Return the natural log of the odds of this scale over another one; 0 if it is not `trusted`.

        Residuals beyond noise are misfits of shape and alike over a line width, so their square counts once in a width;
        how large they are this fit tells.
        """
        if not self.trusted:
            return 0.0
        return (other.loss - self.loss) / self.worth + STRANGE_PRICE * (other.strange - self.strange)


class WholeSpectrum:
    """The spectra of one instrument, binned to a third of a line width."""

    def __init__(self, shots: list[Shot], prior_sd: Floats) -> None:
        """Bin the spectra; `prior_sd` (d + 1,) says how crooked scales may be."""
        self.parts = [Part(shot) for shot in shots]
        self.prior_sd = prior_sd
        self._weighed: dict[tuple[object, ...], Weighed] = {}
        self._bright: dict[bytes, list[Floats]] = {}
        self._work, self.left_out = 0, False

    def affords(self) -> bool:
        """Return whether one more scale may be asked about; once one may not, `left_out` is True.

        Work is counted and not timed, so that the same file always gets the same answer.
        """
        self.left_out = self.left_out or self._work > MOST_WORK * len(self.parts)
        return not self.left_out

    @property
    def half_spent(self) -> bool:
        """Whether so much work is done that no more than the questions that decide may be asked."""
        return self._work > 0.5 * MOST_WORK * len(self.parts)

    def fit(self, scale: Floats, steps: int = 2, than: WholeFit | None = None) -> WholeFit:
        """Draw a scale to the spectrum by a few Gauss-Newton steps; where a step makes it worse, it is not taken.

        Parameters
        ----------
        scale : ndarray of shape (d + 1,)
            Chebyshev coefficients.
        steps : int
            Largest number of steps.
        than : WholeFit, optional
            A fit to compare with: one that is hopeless beside it is given up early, and gets no covariance.
        """
        none = tuple(frozenset[int]() for _ in self.parts)
        if than is None:
            return self._drawn(scale, steps, than, none)
        drawn = self._drawn(scale, steps, than, than.freed)
        if than.freed == none:
            return drawn
        told = self._weigh(drawn.scale, self._brightness(scale), none)
        if told.price(than.worth) > drawn.loss / than.worth + STRANGE_PRICE * drawn.strange:
            return drawn  # where it came to, strangers are the likelier beginning too
        drawn_too = self._drawn(scale, steps, than, none)
        return min(drawn, drawn_too, key=lambda fit: fit.loss / than.worth + STRANGE_PRICE * fit.strange)

    def fit_freely(
        self,
        scale: Floats,
        steps: int = 2,
        than: WholeFit | None = None,
        freed: Freed | None = None,
        odds: float = FREED,
    ) -> WholeFit:
        """Draw a scale to the spectrum, peaks left aside that pull it from where all other light wants it.

        A line of no lamp beside one of this lamp is taken for it, and bends the curve.

        Parameters
        ----------
        scale : ndarray of shape (d + 1,)
            Chebyshev coefficients.
        steps : int
            Largest number of Gauss-Newton steps.
        than : WholeFit, optional
            A fit of another curve to compare with: what is left aside there is left aside here, if that is better.
            One that stays hopeless beside it, however much is left aside, is given up.
        freed : tuple of frozenset of int, optional
            What is left aside to begin with.
        odds : float
            Natural log of the odds that a peak is a stranger's at which it is left aside.
        """
        few = min(steps, PULLED_STEPS)
        fit = self.fit(scale, few, than) if freed is None else self._drawn(scale, few, None, freed)
        for left in range(MOST_FREED, 0, -1):
            more, gain = self._pulling(fit, odds)
            if more is None or (than is not None and than.log_odds(fit) - left * gain / than.worth > HOPELESS):
                break
            again = self._drawn(scale, few, None, more, rival=than is not None)
            if not again.loss + (STRANGE_PRICE + odds) * again.worth < fit.loss:
                break
            fit = again
        return fit if few == steps else self._drawn(scale, steps, None, fit.freed, rival=than is not None)

    def _drawn(
        self, scale: Floats, steps: int, than: WholeFit | None, freed: Freed, *, rival: bool = False
    ) -> WholeFit:
        """Return a scale drawn to the spectrum with some peaks taken for strangers' though a line is near them.

        A `rival`, and one that may be given up beside another fit (`than`), gets no covariance.
        """
        factors = self._brightness(scale)
        best = here = self._weigh(scale, factors, freed)
        for _ in range(steps):
            moved = self._step(here)
            if moved is None:
                break
            here = self._weigh(moved, factors, freed)
            gained = best.loss - here.loss
            if not gained > 0.0:
                break
            best = here
            if gained < LITTLE:
                break
            if than is not None and best.loss > than.loss + HOPELESS * than.worth:
                break
        chi2 = float(np.mean(np.concatenate([state.residual[state.part.good] ** 2 for state in best.states])))
        strange = sum(state.strange for state in best.states)
        covariance = np.full((len(scale), len(scale)), np.nan)
        if than is None and not rival:
            covariance = np.asarray(np.linalg.inv(self._normal(best)[0])) * BINS_PER_WIDTH * max(chi2, LEAST_CHI2)
        peaks = sum(len(part.peak_x) for part in self.parts)
        return WholeFit(
            scale=best.scale, loss=best.loss, strange=strange, peaks=peaks, chi2=chi2, covariance=covariance,
            states=tuple(best.states), freed=freed,
        )  # fmt: skip

    def _pulling(self, fit: WholeFit, odds: float) -> tuple[Freed | None, float]:
        """Return the freed peaks with one more, and the fall of the loss that it promises.

        The one that pulls most from where all other light wants the curve; none where none pulls so much that a
        stranger is likelier than the line of the lamp near it.
        """
        rate = self.prior_sd[: len(fit.scale)] ** -2.0
        least = (STRANGE_PRICE + odds) * fit.worth
        gains = [state.gain_if_free(rate, least) for state in fit.states]
        part = int(np.argmax([np.max(gain, initial=0.0) for gain in gains]))
        most = float(np.max(gains[part], initial=0.0))
        if most < least:
            return None, most
        chosen = fit.freed[part] | {int(np.argmax(gains[part]))}
        return tuple(chosen if k == part else freed for k, freed in enumerate(fit.freed)), most

    @cached_property
    def alone(self) -> tuple[float, float]:
        """Loss if each peak stood alone, a line of no lamp, and the mean square of the residuals over their variance.

        However wrong a lamp may be, the latter says how well the lines of this instrument are told.
        """
        residuals = [part.of_no_lamp() for part in self.parts]
        every = np.concatenate(residuals)
        return float(every @ every), float(np.mean(every**2))

    def _brightness(self, scale: Floats) -> list[Floats]:
        """Return the brightness of each element in each spectrum under a scale from which it is drawn on."""
        key = scale.tobytes()
        if key not in self._bright:  # several questions start from one curve
            self._bright[key] = [part.brightness(scale) for part in self.parts]
        return self._bright[key]

    def _weigh(self, scale: Floats, factors: list[Floats], freed: Freed) -> Weighed:
        known = zip(self.parts, factors, freed, strict=True)
        key = (scale.tobytes(), freed, *(factor.tobytes() for factor in factors))
        if key not in self._weighed:
            states = [part.solved(scale, factor, loose) for part, factor, loose in known]
            self._weighed[key] = Weighed(scale, states, sum(state.loss for state in states))
            self._work += sum(WORK_OF_WEIGHING + state.products.size for state in states)
        return self._weighed[key]

    def _normal(self, here: Weighed) -> tuple[Floats, Floats]:
        """Return the normal matrix (d + 1, d + 1) of the scale and its right side, prior included."""
        if here.normal is not None:
            return here.normal
        rate = self.prior_sd[: len(here.scale)] ** -2.0
        precision, pull = np.diag(rate), -np.concatenate([[0.0, 0.0], here.scale[2:]]) * rate
        for state in here.states:
            normal, goal = state.curve()
            precision += normal
            pull += goal
        here.normal = precision, pull
        return here.normal

    def _step(self, here: Weighed) -> Floats | None:
        """Return the scale after one step; None where it would run away."""
        change = np.asarray(np.linalg.solve(*self._normal(here)))
        places = np.linspace(-1.0, 1.0, 9)
        largest = float(np.max(np.abs(chebval(places, change)) / (LARGEST_STEP * self.parts[0].width_nm(here.scale))))
        if not np.isfinite(largest):
            return None
        moved = here.scale + change / max(largest, 1.0)
        slope = chebval(np.linspace(-1.0, 1.0, 65), chebder(moved))
        return moved if np.all(slope * np.sign(moved[1]) > 0.0) else None


@dataclass(slots=True, eq=False)
class Weighed:
    """A trial scale with the light that explains the spectra best, and what the next step needs once it was asked."""

    scale: Floats
    states: list[State]
    loss: float
    normal: tuple[Floats, Floats] | None = None

    def price(self, worth: float) -> float:
        """Return the loss in units of log odds, strangers included."""
        return self.loss / worth + STRANGE_PRICE * sum(state.strange for state in self.states)
