"""Which of the indicators of a run decide: how each stands beside the others."""

from __future__ import annotations

from typing import TYPE_CHECKING

from glowledger.runs.combining import slight_changes
from glowledger.runs.endpoint_words import SEEN

if TYPE_CHECKING:
    from glowledger.runs.following import RunFollower

# 2 ln L: decays below this do not hold up a verdict on others above it; those of species with a feature of their own
# are no misfit of others and hold it up sooner
STRONG, SURE = 150.0, 60.0


def groups(run: RunFollower) -> tuple[list[str], list[str], list[str], list[str]]:
    """Return the contaminants that are weak, doubtful, hardly changed and owing, as `combining.combine` takes them."""
    weight = {n: max(run.followers[n].weight, run.followers[n].before) for n in run.seen}
    doubtful = [n for n in run.seen if _is_doubtful(run, n)]
    weak = [n for n in run.seen if weight[n] < (STRONG if n in doubtful else SURE)]
    owing = [n for n in run.seen if run.followers[n].owing and n not in (*weak, *doubtful)]
    return weak, doubtful, _slight(run, weak), owing


def _slight(run: RunFollower, weak: list[str]) -> list[str]:
    """Return what hardly changed beside others; not what was asked for, nor what a blank run decides, nor what fell
    under earlier conditions.
    """
    fits = {n: run.followers[n].posterior for n in run.seen if n not in weak and run.followers[n].before < SEEN}
    falls = {n: (p.floor, p.excess) for n, p in fits.items() if p is not None}
    blanks = [n for n in falls if run.followers[n].criterion.blank]
    return [n for n in slight_changes(falls) if n not in (*run.options.indicators, *blanks)]


def _is_doubtful(run: RunFollower, name: str) -> bool:
    present = run.options.present
    return present is not None and name not in (*present, *run.joined, *run.options.indicators)
