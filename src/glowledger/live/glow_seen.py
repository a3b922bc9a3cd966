"""What glows in some frames of a run being followed, and what that may mean."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

from glowledger.bench.model import Window
from glowledger.diagnose.cautions import Caution, cautions
from glowledger.diagnose.feed import Feed
from glowledger.diagnose.findings import findings
from glowledger.diagnose.sightings import Finding
from glowledger.glow.results import Fit
from glowledger.report.meaning_texts import caution_sentences
from glowledger.report.sentences import capital, plain_name, unsure_indicators
from glowledger.report.wrapping import listed
from glowledger.runs.results import RunResult


@dataclass(frozen=True, slots=True, kw_only=True)
class GlowSeen:
    """What glows in some frames.

    Attributes
    ----------
    frames : str
        Which they are, in words: 'the first 60 frames'.
    present : tuple of str
        Species that are certain, strongest first.
    findings : tuple of Finding
        What they may mean.
    cautions : tuple of Caution
        Hazards of the situation.
    stated : bool
        The gas was stated, so that its hazards are told with every answer.
    fit : Fit or None
        Of the mean of the frames; not kept over a restart where the frames are not.
    """

    frames: str
    present: tuple[str, ...]
    findings: tuple[Finding, ...]
    cautions: tuple[Caution, ...]
    stated: bool = False
    fit: Fit | None = field(default=None, compare=False, repr=False)

    def sentences(self) -> list[str]:
        """Return it in plain sentences, without the cautions."""
        head = f"Nothing is certain to glow in {self.frames}."
        if self.present:
            head = f"What glows in {self.frames}: {listed([plain_name(name) for name in self.present])}."
        return [head, *(f"{capital(f.text)} Confidence: {f.confidence}." for f in self.findings)]

    def brief(self) -> list[str]:
        """Return it in a line or two: names, and what they may mean."""
        kinds = [f"{f.kind} ({f.confidence})" for f in self.findings if f.kind != "purity"]
        said = [f"In the glow: {', '.join(self.present)}"] if self.present else []
        return said + ([f"It may mean, with such confidence: {', '.join(kinds)}"] if kinds else [])

    def care(self) -> list[str]:
        """Return the cautions that belong to the gas that was stated and these findings, in plain sentences."""
        return caution_sentences(self.cautions) if self.stated else []

    def to_dict(self) -> dict[str, Any]:
        """Return it as plain data, without the fit."""
        return {
            "frames": self.frames, "present": list(self.present), "findings": [asdict(f) for f in self.findings],
            "cautions": [asdict(c) for c in self.cautions], "stated": self.stated,
        }  # fmt: skip

    @classmethod
    def from_dict(cls, kept: dict[str, Any]) -> GlowSeen:
        """Return it from `to_dict`."""
        return cls(
            frames=kept["frames"], present=tuple(kept["present"]),
            findings=tuple(_finding(f) for f in kept["findings"]),
            cautions=tuple(Caution(**c) for c in kept["cautions"]), stated=kept["stated"],
        )  # fmt: skip


def glow_seen(fit: Fit, frames: str, *, feed: Feed | None = None, window: Window | None = None) -> GlowSeen:
    """Return what glows in some frames.

    Parameters
    ----------
    fit : Fit
        Of their mean.
    frames : str
        Which they are, in words.
    feed : Feed, optional
        The gas that was let in, where it was stated.
    window : Window, optional
        Of the chamber; for the cautions.
    """
    found = findings(fit, feed)
    present = tuple(s.name for s in fit.species if s.verdict == "present")
    return GlowSeen(
        frames=frames, present=present, findings=found, cautions=cautions(feed, window, found),
        stated=feed is not None, fit=fit,
    )  # fmt: skip


def glow_of_followed(seen: Sequence[GlowSeen], result: RunResult) -> list[str]:
    """Return what a followed run says of its glow in the end; nothing where nothing was ever certain."""
    present = [name for one in seen for name in one.present]
    if not present:
        return []
    return [*glow_sentences(seen, care=False), *unsure_indicators(result, present, listed([s.frames for s in seen]))]


def glow_sentences(seen: Sequence[GlowSeen], *, care: bool) -> list[str]:
    """Return all of several in sentences; with `care` the cautions of the latest as well."""
    said = [sentence for one in seen for sentence in one.sentences()]
    return said + (seen[-1].care() if seen and care else [])


def _finding(kept: dict[str, Any]) -> Finding:
    return Finding(
        kind=kept["kind"], text=kept["text"], confidence=kept["confidence"], evidence=tuple(kept["evidence"]),
        confirm_by=tuple(kept["confirm_by"]), could_also_be=tuple(kept["could_also_be"]),
    )  # fmt: skip
