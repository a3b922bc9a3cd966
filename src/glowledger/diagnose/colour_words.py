"""Colours as people say them: which colours of light 'pink' or 'pale blue' may mean."""

from __future__ import annotations

import re
from difflib import get_close_matches
from functools import cache

import numpy as np
from numpy.typing import NDArray

from glowledger.diagnose.colour_difference import levelled_lab
from glowledger.diagnose.hue import hue_names
from glowledger.diagnose.observer import chromaticity
from glowledger.diagnose.srgb import RGB_TO_XYZ, decode
from glowledger.errors import GlowledgerError

Floats = NDArray[np.float64]

# What everyday speech calls by one word, in the finer names of `hue`; common practice, no source
_MEANT = {
    "red": ("red", "orange-red", "purplish red"),
    "orange": ("orange", "orange-red", "yellow-orange"),
    "yellow": ("yellow", "greenish yellow", "yellow-orange", "pale yellow", "pale greenish yellow"),
    "green": ("green", "bluish green", "yellowish green", "pale green", "pale bluish green", "pale yellowish green"),
    "turquoise": ("blue-green", "greenish blue", "bluish green", "pale blue-green", "pale greenish blue"),
    "blue": ("blue", "violet-blue", "greenish blue", "pale blue", "pale greenish blue", "lavender blue"),
    "violet": ("violet", "violet-blue", "purple", "lavender", "lilac"),
    "purple": ("purple", "violet", "magenta", "lilac", "lilac pink"),
    "magenta": ("magenta", "purple", "purplish red", "lilac pink"),
    "pink": ("pink", "salmon pink", "lilac pink", "magenta", "purplish red"),
    "salmon": ("salmon pink", "peach"),
    "peach": ("peach", "salmon pink"),
    "lilac": ("lilac", "lilac pink", "lavender"),
    "lavender": ("lavender", "lavender blue", "lilac"),
}
_SYNONYMS = {
    "cyan": "turquoise", "teal": "turquoise", "mauve": "lilac", "rose": "pink", "indigo": "blue", "amber": "orange",
    "gold": "yellow", "golden": "yellow", "brick": "red", "crimson": "red", "scarlet": "red", "fuchsia": "magenta",
    "reddish": "red", "yellowish": "yellow", "greenish": "green", "bluish": "blue",
    "purplish": "purple", "pinkish": "pink", "whitish": "white", "orangish": "orange", "rosy": "pink", "gray": "white",
    "grey": "white", "greyish": "white", "grayish": "white",
}  # fmt: skip
_PALE = frozenset({"pale", "light", "pastel", "soft", "milky"})
_BRIGHTNESS = frozenset({"dark", "deep", "bright", "dim", "faint", "strong", "vivid", "pure", "brilliant", "intense"})
_SHARE = 1 / 3  # of the light that a word before the last one adds to it: 'reddish purple'
_STEPS = 25  # per channel, of the colours that are named
ROUGH = (
    "A word covers many colours and people differ in what they call them, so this ranking is rough; a photograph "
    "with something white in it (--photo, --white) says more.",
)


@cache
def _named() -> tuple[Floats, tuple[str, ...]]:
    """Return colours of a screen, linear with their largest channel 1, and what each is called."""
    levels = decode(np.linspace(0.0, 1.0, _STEPS))
    cube = np.array(np.meshgrid(levels, levels, levels)).reshape(3, -1).T
    colours = cube[cube.max(axis=1) == 1.0]
    names, _ = hue_names(chromaticity(colours @ RGB_TO_XYZ.T))
    return colours, tuple(name.removeprefix("pure ") for name in names)


def _called(names: tuple[str, ...]) -> Floats:
    """Return the colours that have one of these names; 'white' is every white that is tinged as well."""
    colours, found = _named()
    whites = "white" in names
    return colours[[name in names or (whites and name.endswith("white")) for name in found]]


def colours_called(text: str) -> tuple[Floats, Floats]:
    """Return what a colour said in words may have been.

    Parameters
    ----------
    text : str
        ``pink``, ``pale blue``, ``reddish purple``, ``orange-red``. Words of brightness are left out.

    Returns
    -------
    linear : ndarray of shape (3,)
        The middle of it, linear sRGB with its largest channel 1.
    draws : ndarray of shape (d, 3)
        Colours that are called so.

    Raises
    ------
    GlowledgerError
        If a word is no colour known here.

    Notes
    -----
    The last word names the colour; a word before it adds some of its light, 'pale' adds as much white.
    """
    said = " ".join(text.lower().split())
    draws = _called(_MEANT.get(said, (said,)))
    if len(draws) == 0:
        draws = _composed([word for word in re.split(r"[\s-]+", said) if word and word not in _BRIGHTNESS], text)
    draws = draws / draws.max(axis=1, keepdims=True)
    plane = levelled_lab(draws)[:, 1:]
    away = np.sum((plane - plane.mean(axis=0)) ** 2, axis=1)
    return draws[int(np.argmin(away))], draws


def _composed(words: list[str], text: str) -> Floats:
    """Return the colours of the last word with the light of those before it."""
    parts = [_white() if word in _PALE else _of_word(word, text) for word in words]
    if not parts or words[-1] in _PALE:
        raise _unknown(text, words[-1] if words else text)
    draws = parts[-1]
    for word, part in zip(words[:-1], parts[:-1], strict=True):
        share = 0.5 if word in _PALE else _SHARE
        draws = (1 - share) * _level(draws) + share * _level(part.mean(axis=0, keepdims=True))
    return draws


def _white() -> Floats:
    return np.ones((1, 3))


def _level(colours: Floats) -> Floats:
    """Return colours of equal sum, so that shares are of light as a screen gives it."""
    return np.asarray(colours / colours.sum(axis=1, keepdims=True))


def _of_word(word: str, text: str) -> Floats:
    """Return the colours that one word means."""
    word = _SYNONYMS.get(word, word)
    if word in _MEANT:
        return _called(_MEANT[word])
    found = _called((word,))
    if len(found) == 0:
        raise _unknown(text, word)
    return found


def _unknown(text: str, word: str) -> GlowledgerError:
    known = [*_MEANT, "white", *_SYNONYMS, *_PALE]
    near = get_close_matches(word, known, n=1, cutoff=0.7)
    hint = f"Did you mean '{near[0]}'? " if near else ""
    return GlowledgerError(
        f"{text!r} is not a colour known here.",
        mend=f"{hint}Write words ({', '.join((*_MEANT, 'white'))}; also 'pale blue', 'reddish purple') or "
        "'#rrggbb', e.g. '#d070c8', in quotes because of the '#'.",
    )
