"""What was done and where it comes from, in plain language."""

from __future__ import annotations

IDENTIFY = (
    "Every species is given the light pattern that published wavelengths, transition probabilities and "
    "band constants prescribe, blurred as the spectrometer blurs a line. All patterns together with a "
    "smooth background are fitted to the measured counts at once, none of them negative, each pixel "
    "weighted by its noise. Levels of an atom are free of each other: a glow is not in thermal "
    "equilibrium.",
    "The evidence for a species is the likelihood that is lost without it, in standard deviations. "
    "'Present' asks for a feature that no other species explains; 'not seen' comes with the 95 % upper "
    "limit (detection limits in the sense of L. A. Currie, Anal. Chem. 40, 586 (1968), and ISO 11843-1); "
    "'cannot tell' says why.",
    "The source of each wavelength and transition probability is listed by 'glowledger tables'.",
)

TRACK = (
    "Every frame is fitted as in 'identify'. The light of each contaminant is divided by that of a "
    "reference gas, so that a change of brightness or window cancels where it can; each ratio carries its"
    " standard error.",
    "Bursts of a few frames are set aside as flashes. Where all light changes at once the run is cut. The"
    " rest is followed frame by frame as a decay towards a floor; the endpoint is where the excess over "
    "the floor has become a stated small part of its start, with a stated probability, and has stayed so "
    "for a stated time.",
)

_FIT_SOURCES = (
    "wavelengths in air: P. E. Ciddor, Appl. Opt. 35, 1566 (1996)",
    "amounts held non-negative: J. Kim & H. Park, SIAM J. Sci. Comput. 33, 3261 (2011)",
    "claims over all species tested: Y. Benjamini & Y. Hochberg, J. R. Stat. Soc. B 57, 289 (1995)",
    "limits: L. A. Currie, Anal. Chem. 40, 586 (1968)",
)
_SOURCES = {
    "identify": _FIT_SOURCES,
    "track": (
        *_FIT_SOURCES,
        "intervals of ratios: E. C. Fieller, J. R. Stat. Soc. B 16, 175 (1954)",
        "a posterior looked at after every frame: J. O. Berger, Statistical Decision Theory and Bayesian Analysis, "
        "2nd ed. (1985), section 7.7",
    ),
}


def sources(command: str) -> str:
    """Return the published sources that a command rests on, as one sentence."""
    return f"Sources: {'; '.join(_SOURCES[command])}."
