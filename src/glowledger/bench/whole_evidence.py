"""How likely a lamp under a scale is by the whole spectrum, beside peaks that are of no lamp.

The marginal likelihood of a linear Gaussian model (MacKay, Neural Computation 4, 415 (1992), from memory): lines that
may be as bright as they like explain anything, and pay for that room; so do strangers beside them. What the lamp is
compared with, peaks of no lamp, pays a price for places and none for light, so that bright sharp lines, which peaks
alone tell, come out low: it is asked where peaks are not enough. Misfits of shape are alike over a line width, so bins
count less by as much as peaks that stand free are misfitted, whatever the scale.
"""

from __future__ import annotations

import numpy as np

from glowledger.bench.whole_part import BINS_PER_WIDTH, State
from glowledger.bench.whole_spectrum import STRANGE_PRICE, WholeFit, WholeSpectrum

DECADES = 3.0  # powers of ten that the light of a stranger may have, each as likely


def log_evidence(fit: WholeFit, whole: WholeSpectrum) -> float:
    """Return ln of the odds of a lamp under a fitted scale over as many peaks of no lamp.

    Parameters
    ----------
    fit : WholeFit
        The scale drawn to the spectrum.
    whole : WholeSpectrum
        The spectra.
    """
    alone_loss, alone_chi2 = whole.alone
    worth = BINS_PER_WIDTH * max(alone_chi2, 1.0)
    total = 0.5 * alone_loss / worth + STRANGE_PRICE * (fit.peaks - fit.strange) + _room_of_scale(fit, whole, worth)
    for state in fit.states:
        prior_loss = float(np.sum(state.off[: state.lines] ** 2 / state.prior[: state.lines]))
        total -= 0.5 * ((state.loss - prior_loss) / worth + prior_loss) + _room_of_light(state, worth)
        total -= _room_of_strangers(state, worth)
    return total


def _room_of_light(state: State, worth: float) -> float:
    """Return half the log of how much the light of the lines is narrowed down by the counts."""
    held = state.free & (np.arange(len(state.free)) < state.lines)
    prior = worth * state.prior
    narrowed = state.design.band.log_determinant(state.products, prior, held)
    return 0.5 * (narrowed - float(np.sum(np.log(prior[held]))))


def _room_of_strangers(state: State, worth: float) -> float:
    """Return the log of how much the light of strangers, of any of three powers of ten alike, is narrowed down."""
    columns = slice(state.lines, state.lines + state.strange)
    error = np.sqrt(worth / np.maximum(state.design.band.squares(state.products)[columns], 1e-300))
    return float(np.sum(np.log(np.maximum(DECADES * np.log(10.0) * state.stray / (error * np.sqrt(2.0 * np.pi)), 1.0))))


def _room_of_scale(fit: WholeFit, whole: WholeSpectrum, worth: float) -> float:
    """Return the log of posterior over prior room of the scale, and how well it fits the prior; either direction."""
    sd = whole.prior_sd[: len(fit.scale)]
    information = np.diag(sd**-2.0) + sum(state.curve()[0] for state in fit.states) / worth
    bent = fit.scale[2:] / sd[2:]
    narrowed = float(np.linalg.slogdet(information * sd[:, None] * sd[None, :])[1])
    return -0.5 * narrowed - 0.5 * float(bent @ bent) - float(np.log(2.0))
