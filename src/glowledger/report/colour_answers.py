"""The colour of a glow as text and as a document."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from glowledger.diagnose.colour import GlowColour
from glowledger.diagnose.colour_match import ColourMatch
from glowledger.diagnose.srgb import RGB_TO_XYZ, to_hex

SHOWN = 6  # gases in the text
FITS_IS = "within what tubes of it vary by?"


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ColourAnswer:
    """What the colour command found.

    Attributes
    ----------
    subject : str
        File or observed colour.
    colour : GlowColour or None
        Of a spectrum; None for an observed colour.
    estimate : GlowColour or None
        Of the true light with an assumed response, where `colour` is of the light as recorded.
    observed : tuple of float or None
        Linear sRGB of an observed colour.
    in_words : bool
        True if that is the middle of what is called so.
    match : ColourMatch
        The gases.
    cautions : tuple of str
        Of reading and observation, each once.
    """

    subject: str
    colour: GlowColour | None
    estimate: GlowColour | None
    observed: tuple[float, float, float] | None
    match: ColourMatch
    cautions: tuple[str, ...] = ()
    in_words: bool = False

    @property
    def told(self) -> bool:
        """Return True if the question asked is answered: the colour of a spectrum, the gas of a colour."""
        return self.match.told if self.colour is None else self.colour.told

    @property
    def srgb(self) -> str:
        """Return the colour shown, ``#rrggbb``."""
        if self.colour is not None:
            return self.colour.srgb
        return to_hex(np.asarray(self.observed))

    @property
    def xyz(self) -> np.ndarray:
        """Return XYZ with Y = 100."""
        if self.colour is not None:
            return self.colour.xyz
        xyz = RGB_TO_XYZ @ np.asarray(self.observed)
        return np.asarray(100 * xyz / xyz[1])


def colour_document(answer: ColourAnswer, extra: Mapping[str, object] | None = None) -> dict[str, object]:
    """Return the answer of ``colour`` as one document, schema ``glowledger/colour/1``.

    Parameters
    ----------
    answer : ColourAnswer
        What was found.
    extra : mapping, optional
        Further fields.

    Returns
    -------
    dict
        For `documents.dumps`.
    """
    xyz = answer.xyz
    colour = answer.colour
    document: dict[str, object] = {
        "schema": "glowledger/colour/1",
        "subject": answer.subject,
        "light": "observed" if colour is None else colour.light,
        "xy": xyz[:2] / xyz.sum(),
        "XYZ": xyz,
        "srgb": answer.srgb,
        "out_of_gamut": False if colour is None else colour.out_of_gamut,
        "description": answer.match.description if colour is None else colour.description,
        "gases": [
            {
                "name": gas.name, "delta_e": gas.delta_e, "plain": gas.plain, "region": gas.region,
                "fits": gas.fits, "weight": gas.weight, "srgb": to_hex(gas.srgb_linear),
            } for gas in answer.match.gases
        ],
        "told": answer.match.told,
        "gases_description": answer.match.description,
        "cautions": answer.cautions,
    }  # fmt: skip
    if colour is not None:
        document |= _details(colour)
    if answer.estimate is not None:
        seen = answer.estimate
        shown = {"xy": seen.xy, "srgb": seen.srgb, "description": seen.description}
        document["estimate"] = shown | _details(seen)
    return document | dict(extra or {})


def _details(colour: GlowColour) -> dict[str, object]:
    return {
        "xy_standard_error": np.sqrt(np.diag(colour.xy_covariance)),
        "hue": colour.hue.name,
        "dominant_nm": colour.hue.dominant_nm,
        "purity": colour.hue.purity,
        "colour_told": colour.told,
    }


def colour_text(answer: ColourAnswer, *, notes: tuple[str, ...] = (), width: int = 96) -> str:
    """Return the answer in plain words: the colour, the gases that fit, the limits.

    Parameters
    ----------
    answer : ColourAnswer
        What was found.
    notes : tuple of str
        Further lines at the end.
    width : int
        Columns.

    Returns
    -------
    str
    """
    parts = [answer.subject]
    if answer.colour is not None:
        parts.append(_colour_sentence(answer.colour))
    else:
        x, y = answer.xyz[:2] / answer.xyz.sum()
        what = "The middle of what is called so:" if answer.in_words else "Observed colour"
        parts.append(f"{what} {answer.srgb}, at x {x:.3f}, y {y:.3f} of the CIE 1931 diagram.")
    if answer.estimate is not None:
        parts.append(f"With a typical silicon detector assumed: {_colour_sentence(answer.estimate)}")
    parts.append(answer.match.description)
    text = "\n".join(textwrap.fill(part, width) for part in parts)
    rows = [
        f"  {gas.plain:16s} {gas.region:16s} {gas.delta_e:6.1f}   {'fits' if gas.fits else 'does not fit'}"
        for gas in answer.match.gases[:SHOWN]
    ]
    header = f"  {'gas':16s} {'region':16s} delta E   {FITS_IS}"
    table = "\n".join([header, *rows])
    limits = "\n".join(
        textwrap.fill(f"- {caution}", width, subsequent_indent="  ") for caution in answer.cautions
    )
    return "\n\n".join(part for part in (text, table, limits, "\n".join(notes)) if part)


def _colour_sentence(colour: GlowColour) -> str:
    (x, y), (sx, sy) = colour.xy, np.sqrt(np.diag(colour.xy_covariance))
    gamut = ", more saturated than a screen can show" if colour.out_of_gamut else ""
    place = f"CIE 1931 x {x:.3f} ± {max(sx, 0.0005):.3f}, y {y:.3f} ± {max(sy, 0.0005):.3f}"
    return f"{colour.description} {place}; on a screen {colour.srgb}{gamut}."
