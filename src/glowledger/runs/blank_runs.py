"""Levels of the contaminants in a run of the clean empty chamber."""

from __future__ import annotations

import numpy as np

from glowledger.errors import RunError
from glowledger.glow.results import SeriesFit
from glowledger.runs import ratios
from glowledger.runs.blank import Blank, level_of
from glowledger.runs.ratios import CONTAMINANTS

FIRST = 10  # frames of the run from which its first level is taken


def blank_levels(series: SeriesFit, blank: SeriesFit, reference: str | None, margin: float) -> dict[str, Blank]:
    """Return the level of every contaminant in a blank run.

    Parameters
    ----------
    series, blank : SeriesFit
        The run and the blank run.
    reference : str or None
        As asked for; None chooses as in the run.
    margin : float
        Part of the contaminant's first level in the run by which the two may differ.

    Returns
    -------
    dict of str to Blank

    Raises
    ------
    RunError
        If the blank has fewer than 4 usable frames, or no species in common with the run.
    """
    chosen = ratios.choose_reference(
        series.species_names, series.counts[:FIRST], series.standard_error[:FIRST], reference,
        series.present_names,
    ).name
    levels = {}
    for name in CONTAMINANTS:
        common = name in series.species_names and name in blank.species_names
        if not common or name == chosen:
            continue
        start, _ = ratios.series_ratio(series, name, chosen)
        start = start[:FIRST][np.isfinite(start[:FIRST])]
        level, level_se = level_of(*ratios.series_ratio(blank, name, chosen))
        if np.isfinite(level) and len(start):
            top = abs(float(np.median(start)))
            levels[name] = Blank(level=level, standard_error=level_se, margin=margin * top)
    if not levels:
        raise RunError(
            "The blank run has no usable frames, or none of its species can be compared.",
            mend="Record at least 4 frames of the clean empty chamber under the same conditions.",
        )
    return levels
