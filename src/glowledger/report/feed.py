"""Which of the species found the feed gas explains, and which come from somewhere else."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from glowledger.errors import TableError
from glowledger.glow.results import Fit
from glowledger.tables.species import listed_species

AIR = ("N", "O", "Ar")
_ELEMENT = re.compile(r"([A-Z][a-z]?)\d*")


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """A conclusion drawn from the species found.

    Attributes
    ----------
    kind : str
        Short name.
    text : str
        One plain sentence.
    confidence : str
        ``present`` or ``possible``, as the species it rests on.
    """

    kind: str
    text: str
    confidence: str


def elements_of(name: str) -> frozenset[str]:
    """Return the elements of a gas or species: ``CO2`` is C and O, ``Ar II`` is Ar, ``air`` is N, O and Ar.

    Raises
    ------
    TableError
        If the name is no chemical formula of listed elements.
    """
    if name.strip().lower() == "air":
        return frozenset(AIR)
    formula = name.strip().removesuffix("+").split(" ")[0]
    listed = {e for s in listed_species() for e in _ELEMENT.findall(s.name.split(" ")[0])}
    found = _ELEMENT.findall(formula)
    if not found or _ELEMENT.sub("", formula) or not set(found) <= listed:
        raise TableError(
            f"'{name}' is not a gas known here.",
            mend="Write it as a formula, several with commas: Ar, O2, N2, H2, He, CO2, or air.",
        )
    return frozenset(found)


def beyond_feed(fit: Fit, feed: Sequence[str]) -> list[Finding]:
    """Return what glows although no feed gas holds its elements.

    Parameters
    ----------
    fit : Fit
        The forward fit.
    feed : sequence of str
        The gases let in, as formulae; empty if unknown, and then nothing is concluded.

    Returns
    -------
    list of Finding
        One for the species that are present, one for those that are possible.
    """
    if not feed:
        return []
    known = frozenset().union(*(elements_of(gas) for gas in feed))
    findings = []
    for verdict in ("present", "possible"):
        names = [s.name for s in fit.species if s.verdict == verdict and not elements_of(s.name) <= known]
        if names:
            several = len(names) > 1
            text = (
                f"{', '.join(names)} {'are' if several else 'is'} {verdict} and cannot come from the feed "
                f"gas ({', '.join(feed)}): look at walls, part, leaks and pump."
            )
            findings.append(Finding(kind="not from the feed", text=text, confidence=verdict))
    return findings
