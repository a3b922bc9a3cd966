"""Which of the indicators of a run decide: how each stands beside the others."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from glowledger.runs.combining import slight_changes
from glowledger.runs.endpoint_words import SEEN
from glowledger.runs.optics import FOGGING
from glowledger.runs.results import Endpoint

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


def beside_a_film(run: RunFollower, end: Endpoint) -> Endpoint:
    """Return an end that was reached while a film may have grown on the window with that said in its reason."""
    filming = any(a.kind == FOGGING and a.time_s >= run.log.began_s for a in run.log.alarms)
    if end.verdict != "reached" or not filming:
        return end
    lost = run.optics.film_words()
    by = f" by {lost}" if lost else ""
    doubt = (
        f"A film may have grown on the window meanwhile: short-wave light fell{by} more than long-wave light, and a "
        "ratio of lines far apart drifts as much without any cleaning. Clean the window, or cover it between looks, "
        "and look once more."
    )
    return replace(end, reason=f"{end.reason} {doubt}")


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
