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
