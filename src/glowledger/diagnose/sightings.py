"""What was seen, in the form the rules ask for it; and a finding, which carries what it rests on."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

from glowledger.diagnose.feed import Feed, elements_of
from glowledger.glow.results import SpeciesEvidence

Confidence = Literal["high", "medium", "low", "cannot tell"]
MOST_SIGMA = 30.0  # more says nothing: the model's own errors rule there
STRONG_SIGMA = 10.0  # below, chance neighbours of weak lines are not rare enough (bench_findings.py)
FEW_FEATURES = 2
# The spectrum of H2 has thousands of lines that are in no table, dense in this range (G. H. Dieke's tables, 1972,
# from memory): amid them a line may be anything, and it takes several bands to believe a molecule.
CROWD_NM = (410.0, 900.0)
HYDROGEN_SHARE = 0.05  # of the light
CLEAN_IN_CROWD = {"atom": 2, "molecule": 3}  # features of its own that it then takes
NOT_LOST_IN_CROWD = frozenset({"H I", "H2", "N2", "N2+", "OH", "NH", "O I", "Ar I", "He I"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """A conclusion drawn from several species; cannot be built without its evidence.

    Attributes
    ----------
    kind : str
        Short name: ``air leak``, ``water``, ``hydrocarbon oil``, ...
    text : str
        One or two plain sentences.
    confidence : {'high', 'medium', 'low', 'cannot tell'}
        ``high``: several species, or one beyond doubt, that the other causes listed would not show together.
        ``medium``: the species are certain, the cause is the likeliest of several. ``low``: rests on one
        weak sign. ``cannot tell``: the light cannot separate it from what is expected.
    evidence : tuple of str
        Species and features it rests on.
    confirm_by : tuple of str
        What would confirm or refute it.
    could_also_be : tuple of str
        Other causes of the same light.
    """

    kind: str
    text: str
    confidence: Confidence
    evidence: tuple[str, ...]
    confirm_by: tuple[str, ...] = ()
    could_also_be: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if not self.evidence:
            raise ValueError(f"the finding '{self.kind}' has no evidence")


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Sightings:
    """The verdicts of one fit beside the feed.

    Attributes
    ----------
    species : mapping of str to SpeciesEvidence
        By name.
    feed : Feed or None
        Stated or guessed; None if nothing is known.
    """

    species: Mapping[str, SpeciesEvidence]
    feed: Feed | None

    @property
    def only_fed(self) -> str:
        """Return in words that no other gas is fed, as the user said or as the light suggests."""
        return f"only {self.feed} is fed" if self.stated else f"most of the light speaks of {self.feed} as the feed"

    def unless_fed(self, nothing: str) -> str:
        """Return what speaks against feeding something: the words given where the feed was named, else the light."""
        if self.stated:
            return nothing
        return "no gas stands out as the feed" if self.feed is None else self.only_fed

    def present(self, names: Iterable[str]) -> tuple[str, ...]:
        """Return those of the names that are present; amid the lines of H2 only those beyond doubt."""
        found = tuple(n for n in names if self.verdict(n) == "present")
        return tuple(n for n in found if self._believable(n))

    def _believable(self, name: str) -> bool:
        """Return True unless a species may be made of lines of H2."""
        if not self.crowded or name in NOT_LOST_IN_CROWD:
            return True
        return self.clean(name) >= CLEAN_IN_CROWD["atom" if " " in name else "molecule"]

    def hinted(self, names: Iterable[str]) -> tuple[str, ...]:
        """Return those of the names that are present or possible."""
        return tuple(n for n in names if self.verdict(n) in ("present", "possible"))

    def foreign(self, names: Iterable[str]) -> tuple[str, ...]:
        """Return those of the names that are present and that the feed cannot make."""
        return tuple(n for n in self.present(names) if self.feed is None or not self.feed.belongs(n))

    def blocked(self, names: Iterable[str]) -> tuple[str, ...]:
        """Return those of the names on which there is no answer."""
        return tuple(n for n in names if self.verdict(n) in ("cannot tell", None))

    def verdict(self, name: str) -> str | None:
        """Return the verdict on a species; None if it was not looked for."""
        found = self.species.get(name)
        return None if found is None else found.verdict

    def share(self, names: Iterable[str]) -> float:
        """Return the part of all fitted light of the named species."""
        return sum(self.species[n].share for n in names if n in self.species)

    def clean(self, name: str) -> int:
        """Return how many features of a species are free of other light; amid the lines of H2 no atom's line is."""
        own = [feature for feature in self.species[name].features if feature.clean]
        if self.crowded and " " in name and name not in NOT_LOST_IN_CROWD:
            own = [f for f in own if not CROWD_NM[0] < f.wavelength_nm < CROWD_NM[1]]
        return len(own)

    def strong(self, name: str) -> bool:
        """Return True if a species is present beyond doubt: two features of its own, or all it can show.

        Significance alone does not do: one line of an unlisted neighbour can be very significant.
        """
        found = self.species.get(name)
        if found is None or found.verdict != "present" or found.significance < STRONG_SIGMA:
            return False
        own = self.clean(name)
        return own >= 2 or (own == 1 and len(found.features) <= FEW_FEATURES)

    def feeds(self, element: str) -> bool:
        """Return True if the feed brings an element."""
        return self.feed is not None and element in self.feed.elements

    @property
    def crowded(self) -> bool:
        """True where the many-line spectrum of H2 makes single lines of other species doubtful."""
        return self.share(("H2",)) > HYDROGEN_SHARE or (self.feeds("H") and bool(self.hinted(("H2",))))

    @property
    def stated(self) -> bool:
        """True if the user named the feed."""
        return self.feed is not None and self.feed.stated

    def evidence(self, names: Iterable[str]) -> tuple[str, ...]:
        """Describe the named species: verdict, significance and strongest feature."""
        return tuple(self._describe(self.species[n]) for n in names if n in self.species)

    @staticmethod
    def _describe(found: SpeciesEvidence) -> str:
        sigma = f"{found.significance:.1f}" if found.significance < MOST_SIGMA else f"above {MOST_SIGMA:.0f}"
        text = f"{found.name} {found.verdict} ({sigma} sigma"
        if found.features:
            best = max(found.features, key=lambda f: (f.clean, f.counts))
            text += f", {best.label} at {best.wavelength_nm:.1f} nm"
        return text + ")"

    def carrying(self, element: str) -> tuple[str, ...]:
        """Return the present species that hold an element."""
        return tuple(n for n in self.species if element in elements_of(n) and self.verdict(n) == "present")
