"""All that is known of one species before the verdict."""

from __future__ import annotations

from dataclasses import dataclass

from glowledger.glow.features import FeatureTest
from glowledger.glow.likelihood import Drop
from glowledger.glow.reach import Reach


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Case:
    """All that is known of one species before the verdict.

    Attributes
    ----------
    name : str
        Species.
    visible : float
        Part of its typical light that was measured.
    blocked : str
        Why that part is small, or ''.
    drop : Drop or None
        None if no emitter of it is in range.
    reach : Reach or None
        Likewise.
    tests : list of FeatureTest
        Its features.
    share : float
        Of all line light.
    total_counts : float
        All line light.
    positions_uncertain : bool
        The tables hold only rough positions of its bands.
    fit_failed : bool
        Lines misplaced or misshapen all over: no template matches.
    unexplained_anywhere : float
        Part of the light that fits no listed species; 0 where the fit as a whole is good.
    unexplained : float
        Part of the line light that fits no listed species and stands where this one would be looked for; 0
        where the fit as a whole is good.
    left : float
        Likewise the part of the light that no template holds where this one would be looked for, in any fit.
    chance : float
        Probability that unexplained structure gives it the features it has.
    pixels_per_line : float
        FWHM of a line, in pixels.
    fwhm_nm : float
        The same in nm.
    blended : bool
        Its listed lines stand among others of its own that are in no table: they need not be as strong as listed.
    unseen : frozenset of str
        Species that are not seen: none of them hides it.
    unsure : float
        Part of the line light of species that are fitted without being sure to be there.
    """

    name: str
    visible: float
    blocked: str
    drop: Drop | None
    reach: Reach | None
    tests: list[FeatureTest]
    share: float
    total_counts: float
    positions_uncertain: bool
    fit_failed: bool
    unexplained_anywhere: float
    unexplained: float
    chance: float
    left: float = 0.0
    pixels_per_line: float = 5.0
    fwhm_nm: float = 1.5
    blended: bool = False
    unseen: frozenset[str] = frozenset()
    unsure: float = 0.0
