"""Who plays which part in a run: what may be followed as a contaminant, and what is neither that nor divided by."""

from __future__ import annotations

from collections.abc import Collection
from typing import TYPE_CHECKING

from glowledger.runs.flash_end import FLASHES
from glowledger.runs.ratios import CONTAMINANTS, OWN_GAS

if TYPE_CHECKING:
    from glowledger.runs.following import RunFollower


def contaminants(run: RunFollower) -> list[str]:
    """Return the contaminants that may be followed."""
    reference = "" if run.reference is None else run.reference.name
    asked = tuple(n for n in run.options.indicators if n != FLASHES)
    own = OWN_GAS.get(reference, ())
    wanted, sure = asked or [n for n in CONTAMINANTS if n not in own], run.options.candidates
    sure = run.species_names if asked or sure is None else (*sure, *run.joined)
    return [n for n in wanted if n in run.species_names and n in sure and n != reference]


def other_gases(run: RunFollower, followed: Collection[str]) -> list[str]:
    """Return what is certain to glow, but no contaminant, and neither followed nor divided by."""
    reference = "" if run.reference is None else run.reference.name
    sure = run.species_names if run.options.present is None else (*run.options.present, *run.joined)
    known = (*followed, *CONTAMINANTS, reference)
    return [n for n in dict.fromkeys(sure) if n in run.species_names and n not in known]
