"""Hold runs beside each other: what differs by more than its uncertainty, what is not fair, who comes first."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from glowledger.diagnose.compared_run import QUANTITIES, ComparedRun, with_main
from glowledger.diagnose.estimates import Difference, difference, holm
from glowledger.diagnose.fair_comparison import TIME, Obstacle, causes, obstacles
from glowledger.diagnose.gas_groups import GasDifference, gas_differences
from glowledger.diagnose.run_estimates import cuts
from glowledger.errors import RunError

LEVEL = 0.05  # of the whole family of comparisons
WHERE_KNOWN = ("slow_constant_s", "rate_per_watt", "rate_per_pascal")  # compared where both runs have them
STAGES = Obstacle(
    about="stages", spoils=(TIME,), text="One run falls in two stages, the other in one: these are different times."
)
# The first that tells any two apart ranks; those whose ends were compared are not ranked by what says less of them
RANKED = ("endpoint_s", "time_constant_s")
HARDLY_A_RUN = 10  # frames


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """One quantity of two runs.

    Attributes
    ----------
    first, second : str
        Names of the runs.
    quantity : str
        One of `QUANTITIES`.
    difference : Difference or None
        None where one of the numbers is not known.
    obstacles : tuple of Obstacle
        What makes it unfair; empty if it is fair as far as stated.
    p_adjusted : float
        After Holm, over all fair comparisons of the answer; NaN for others.
    reason : str
        Why there is no answer; empty where there is one.
    """

    first: str
    second: str
    quantity: str
    difference: Difference | None
    obstacles: tuple[Obstacle, ...] = ()
    p_adjusted: float = math.nan
    reason: str = ""

    @property
    def fair(self) -> bool:
        """True if nothing that was stated speaks against it."""
        return not self.obstacles

    @property
    def told(self) -> bool:
        """True if the difference is larger than its uncertainty."""
        return self.p_adjusted < LEVEL


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A place in a ranking; equal places were not told apart from all of their neighbours.

    Attributes
    ----------
    place : int
        One more than the number of those told to be faster.
    name : str
        Run or gas.
    slower : tuple of str
        Those told to be slower.
    """

    place: int
    name: str
    slower: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Compared:
    """The whole answer.

    Attributes
    ----------
    runs : tuple of ComparedRun
        In the order given.
    main, main_reason : str
        Contaminant whose decay and levels are compared, and why.
    comparisons : tuple of Comparison
        All pairs, all quantities.
    gases : tuple of GasDifference
        Gases against each other from repeats; empty without repeats.
    ranking : tuple of Place
        Fastest first; empty if none can be told from another.
    ranked_by : str
        Quantity behind the ranking.
    attributed : dict of (str, str) to (tuple, tuple)
        Per pair: causes that differ, causes not stated.
    warnings : tuple of str
        Plain sentences.
    """

    runs: tuple[ComparedRun, ...]
    main: str
    main_reason: str
    comparisons: tuple[Comparison, ...]
    gases: tuple[GasDifference, ...]
    ranking: tuple[Place, ...]
    ranked_by: str
    attributed: dict[tuple[str, str], tuple[tuple[str, ...], tuple[str, ...]]]
    warnings: tuple[str, ...]


def compare_runs(runs: Sequence[ComparedRun], species: str | None = None) -> Compared:
    """Compare two or more runs.

    Parameters
    ----------
    runs : sequence of ComparedRun
        Of `read_run`, with different names.
    species : str, optional
        Contaminant to compare; chosen if left out.

    Returns
    -------
    Compared
        Differences are judged at 5 % for all fair comparisons together (Holm 1979).

    Raises
    ------
    RunError
        If there are fewer than two runs, two share a name, or nobody followed the contaminant.
    """
    names = [run.name for run in runs]
    if len(runs) < 2:
        raise RunError("There is only one run.", mend="Give two or more runs to compare.")
    twice = [name for name in names if names.count(name) > 1]
    if twice:
        raise RunError(f"Two runs are called {twice[0]!r}.", mend="Give each its own name with --names.")
    main, why = main_species(runs, species)
    full = tuple(with_main(run, main) for run in runs)
    comparisons = _judged([c for a, b in combinations(full, 2) for c in _pair(a, b)])
    gases = gas_differences(full)
    ranking, by = _ranking(full, comparisons, gases)
    return Compared(
        runs=full,
        main=main,
        main_reason=why,
        comparisons=comparisons,
        gases=gases,
        ranking=ranking,
        ranked_by=by,
        attributed={(a.name, b.name): causes(a.conditions, b.conditions) for a, b in combinations(full, 2)},
        warnings=_warnings(full, gases),
    )


def main_species(runs: Sequence[ComparedRun], wanted: str | None = None) -> tuple[str, str]:
    """Return the contaminant to compare and why: one in most runs, deciding in most of those, decaying most often."""
    every = list(dict.fromkeys(d.species for run in runs for d in run.decays))
    if wanted is not None:
        if wanted not in every:
            known = f"Choose from: {', '.join(every)}." if every else "None was followed."
            raise RunError(f"{wanted!r} was followed in none of the runs.", mend=known)
        return wanted, "as asked"
    if not every:
        return "", "no contaminant was followed in any run"

    def weight(name: str) -> tuple[int, int, int]:
        readings = [d for run in runs if (d := run.decay(name)) is not None]
        decided = sum(run.result.endpoint.indicator.partition("/")[0] == name for run in runs)
        return len(readings), sum(d.time_constant.known for d in readings), decided

    best = max(every, key=weight)
    there, _, decided = weight(best)
    where = "all" if there == len(runs) else f"{there} of {len(runs)}"
    more = f", and decides the endpoint in {decided}" if decided else ""
    return best, f"it is followed in {where} runs{more}"


def _pair(a: ComparedRun, b: ComparedRun) -> list[Comparison]:
    """Return all quantities of two runs, not yet judged."""
    met = obstacles(a.conditions, b.conditions)
    stages = [run.estimates["slow_constant_s"].known for run in (a, b)]
    found = []
    for key, (_, _, kind) in QUANTITIES.items():
        one, other = a.estimates[key], b.estimates[key]
        if key in WHERE_KNOWN and not (one.known and other.known):
            continue
        blocked = tuple(o for o in met if kind in o.spoils)
        if key == "time_constant_s" and one.known and other.known and stages[0] != stages[1]:
            blocked += (STAGES,)
        reasons = [f"{run.name}: {e.reason}" for run, e in ((a, one), (b, other)) if not e.known]
        found.append(
            Comparison(
                first=a.name, second=b.name, quantity=key, obstacles=blocked,
                difference=None if reasons else difference(one, other), reason="; ".join(reasons),
            )
        )  # fmt: skip
    return found


def _judged(comparisons: list[Comparison]) -> tuple[Comparison, ...]:
    """Return the comparisons with their probabilities adjusted over those that are fair and known."""
    family = [i for i, c in enumerate(comparisons) if c.fair and c.difference is not None]
    adjusted = holm([d.p for i in family if (d := comparisons[i].difference) is not None])
    for i, p in zip(family, adjusted, strict=True):
        comparisons[i] = replace(comparisons[i], p_adjusted=float(p))
    return tuple(comparisons)


def _ranking(
    runs: tuple[ComparedRun, ...], comparisons: tuple[Comparison, ...], gases: tuple[GasDifference, ...]
) -> tuple[tuple[Place, ...], str]:
    """Rank gases where they were repeated, runs otherwise; nothing where nothing is told apart."""
    compared: set[tuple[str, str]] = set()
    for quantity in RANKED:
        faster: list[tuple[str, str]] = []
        if gases:
            names = list(dict.fromkeys(run.gas for run in runs if any(run.gas in (g.first, g.second) for g in gases)))
            known = [(g.first, g.second, g.difference, g.told) for g in gases if g.quantity == quantity]
        else:
            names = [run.name for run in runs]
            known = [
                (c.first, c.second, c.difference, c.told)
                for c in comparisons if c.quantity == quantity and c.fair and c.difference is not None
            ]  # fmt: skip
        for first, second, d, told in known:
            if not told or (first, second) in compared:
                continue
            faster.append((first, second) if (d.value > 1.0 if d.ratio else d.value > 0) else (second, first))
        if faster:
            places = [
                Place(
                    place=1 + sum(slow == name for _, slow in faster),
                    name=name,
                    slower=tuple(slow for fast, slow in faster if fast == name),
                )
                for name in names
            ]
            involved = {name for pair in faster for name in pair}
            return tuple(sorted((p for p in places if p.name in involved), key=lambda p: p.place)), quantity
        compared.update((first, second) for first, second, _, _ in known)
    return (), ""


def _same_light(a: ComparedRun, b: ComparedRun) -> bool:
    """True if two runs hold the same values, which no two recordings do."""
    pairs = zip(a.result.indicators, b.result.indicators, strict=False)
    return any(np.isfinite(x.value).any() and np.array_equal(x.value, y.value, equal_nan=True) for x, y in pairs)


def _warnings(runs: tuple[ComparedRun, ...], gases: tuple[GasDifference, ...]) -> tuple[str, ...]:
    said = []
    stated = {run.gas for run in runs if run.gas}
    if len(stated) > 1 and not gases:
        said.append(
            "Each gas has too few runs to know how much runs in the same gas differ: what follows compares these runs, "
            "not the gases. 'compare --plan' says how many repeats it takes."
        )
    for a, b in combinations(runs, 2):
        if _same_light(a, b):
            said.append(f"{a.name} and {b.name} hold the same frames: this is one run, given twice.")
    for run in runs:
        if run.result.frames < HARDLY_A_RUN:
            held = f"{run.result.frames} frame{'s' if run.result.frames != 1 else ''}"
            said.append(f"{run.name} holds {held}: no run to compare. 'identify' says what glows in single spectra.")
        changed = "; ".join(r.why for r in cuts(run.result.regimes))
        if changed:
            said.append(f"Conditions changed during {run.name} ({changed}); its longest stretch is compared.")
        if run.conditions.pressure_reason.startswith("Cannot tell"):
            said.append(f"Pressure of {run.name}: {run.conditions.pressure_reason}")
        note = run.estimates["endpoint_s"].reason
        if note.startswith("a forecast"):
            said.append(f"The endpoint of {run.name} is {note}.")
        if run.estimates["slow_constant_s"].known:
            said.append(f"{run.main} of {run.name} falls in two stages; its time constant is that of the fast one.")
        elif run.estimates["slow_constant_s"].reason.startswith("two stages"):
            said.append(f"{run.main} of {run.name} may fall in two stages that cannot be held apart.")
    deciders = {run.result.endpoint.indicator.partition("/")[0] for run in runs if run.estimates["endpoint_s"].known}
    if len(deciders) > 1:
        said.append(f"Endpoints were decided by different contaminants: {', '.join(sorted(deciders))}.")
    return tuple(said)
