"""What the user may choose about a run, and what one decided frame says."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from glowledger.runs.blank import Blank
from glowledger.runs.endpoint import Criterion
from glowledger.runs.results import Endpoint


@dataclass(frozen=True, slots=True, kw_only=True)
class RunOptions:
    """What the user may choose.

    Attributes
    ----------
    reference : str or None
        Species to divide by, or ``total light``; None chooses.
    indicators : tuple of str
        Contaminants to follow; empty follows all that are seen.
    candidates : tuple of str or None
        Species that are in the light beyond doubt (the fit of the run's mean says so); contaminants outside it
        are not followed unless asked for, since faint ones may be the misfit of a bright one. None: as the series
        says.
    present : tuple of str or None
        Those of them with features of their own; the others decide only if they end later. None: as the series
        says.
    criterion : Criterion
        When the run counts as done.
    blanks : dict of str to Blank
        Blank level per contaminant over reference.
    """

    reference: str | None = None
    indicators: tuple[str, ...] = ()
    candidates: tuple[str, ...] | None = None
    present: tuple[str, ...] | None = None
    criterion: Criterion = field(default_factory=Criterion)
    blanks: dict[str, Blank] = field(default_factory=dict)

    def criterion_for(self, name: str) -> Criterion:
        """Return the criterion of one contaminant, with its blank where there is one."""
        return replace(self.criterion, blank=self.blanks[name]) if name in self.blanks else self.criterion


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """One decided frame.

    Attributes
    ----------
    time_s : float
        Run time.
    values, errors : dict of str to float
        Contaminant over reference, per contaminant.
    used : bool
        False if the frame was set aside.
    endpoint : Endpoint or None
        The verdict with all frames up to this one; None for frames set aside, or where it was not asked for.
    """

    time_s: float
    values: dict[str, float]
    errors: dict[str, float]
    used: bool
    endpoint: Endpoint | None
