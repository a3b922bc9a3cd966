"""How a spectrum is fitted: which species level by level, how hot, how excited. A fit tells it for the next one."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.band_emitters import rough_positions
from glowledger.glow.choosing import FEWER_WITHOUT, FIRST_T_ROT_K, OTHERS, Told, chosen_emitters
from glowledger.glow.emitters import Emitter
from glowledger.glow.fitting import Solution
from glowledger.glow.level_tilt import level_tilt
from glowledger.glow.likelihood import drop_species, more_significant
from glowledger.glow.results import Temperature
from glowledger.glow.rotation import fitted_temperature, found_kelvin, moved_kelvin, profile_temperature
from glowledger.glow.scene import Scene
from glowledger.tables.species import ListedSpecies

FREED_AT_START = frozenset({"N2", "N2+", "CO", "Ar I", "H I", "O I", "He I", "Ne I"})
FREED_AT_FIRST = frozenset({"CO"})  # later only where seen: its bands lie on lines of many metals
FREED_BY = {"H2": "H I"}  # the many lines of a molecule may be anything, unless its atoms glow clearly
BLENDED = 2.0  # standard errors of a level beside its neighbours over those were it alone
FREE_SIGMA = 3.0  # a species this significant has its levels freed
CLEAR_SIGMA = 15.0  # this significant, an atom shows more than its few main levels
TEMPERATURE_SIGMA = 12.0  # bands this significant speak of temperature
ATOM_SIGMA = 6.0  # what frees a molecule by its atom
BRIGHT_SHARE = 0.2
# of the light of the lowest level, beyond three standard errors: less, in glows cooler than some 3000 K, is not worth
# what it costs of the temperature (an assumption)
SHINING, SURE = 0.008, 3.0
# plans are the same while temperatures, by their logarithms, and excitations, 1 / eV, differ by no more: fits follow
ALIKE_LOG_T, ALIKE_TILT = 0.12, 0.3


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Plan:
    """How a spectrum is fitted.

    Attributes
    ----------
    freed : frozenset of str
        Species fitted level by level.
    bright : frozenset of str
        Species that give much of the light.
    clear : frozenset of str
        Atoms clearly there: more of their levels show.
    vibrating : frozenset of str
        As in `chosen_emitters`.
    tilt : dict of str to float
        By how much 1 / kT of an atom's levels is less than the typical, 1 / eV.
    temperatures : tuple of Temperature
        What the bands told of theirs.
    kelvin : dict of str to float
        Rotational temperatures used, by species; key '' for those not named.
    """

    freed: frozenset[str]
    bright: frozenset[str] = frozenset()
    clear: frozenset[str] = frozenset()
    vibrating: frozenset[str] = frozenset()
    tilt: dict[str, float] = field(default_factory=dict)
    temperatures: tuple[Temperature, ...] = ()
    kelvin: dict[str, float] = field(default_factory=dict)

    def emitters(
        self, listed: tuple[ListedSpecies, ...], low_nm: float, high_nm: float, told: Told | None = None
    ) -> tuple[Emitter, ...]:
        """Return the emitters for a fit between two wavelengths; `told` as in `chosen_emitters`."""
        return chosen_emitters(
            listed, self.freed, self.kelvin, low_nm, high_nm, self.bright, self.clear, self.tilt, told,
            self.vibrating,
        )  # fmt: skip

    def is_like(self, other: Plan) -> bool:
        """Return whether another plan would give much the same fit."""
        mine, others = ((one.freed, one.bright, one.clear, one.vibrating) for one in (self, other))
        tilts = (abs(self.tilt.get(name, 0.0) - other.tilt.get(name, 0.0)) for name in {*self.tilt, *other.tilt})
        drawn = self.kelvin.keys() | other.kelvin.keys()
        heats = (abs(np.log(self._drawn_at(name) / other._drawn_at(name))) for name in drawn)
        return mine == others and max(tilts, default=0.0) < ALIKE_TILT and max(heats, default=0.0) < ALIKE_LOG_T

    def _drawn_at(self, name: str) -> float:
        return self.kelvin.get(name, self.kelvin.get(OTHERS, FIRST_T_ROT_K))


def first_plan(listed: tuple[ListedSpecies, ...]) -> Plan:
    """Return how a spectrum is fitted of which nothing is known."""
    return Plan(freed=FREED_AT_START & frozenset(one.name for one in listed))


def seen_in(scene: Scene, solution: Solution, listed: tuple[ListedSpecies, ...], last: Plan) -> Plan:
    """Return the plan that a fit made by another asks for, temperatures and excitation as in that one.

    Parameters
    ----------
    scene, solution : Scene, Solution
        The fit.
    listed : tuple of ListedSpecies
        Those asked for.
    last : Plan
        How it was made.
    """
    molecules = frozenset(one.name for one in listed if one.molecular)
    return replace(
        last, freed=_freed(scene, solution, last.freed), bright=_bright(scene, solution),
        clear=_significant(scene, solution, molecules, CLEAR_SIGMA),
        vibrating=_vibrating(scene, solution, last.vibrating),
    )  # fmt: skip


def with_clear(plan: Plan, scene: Scene, solution: Solution, listed: tuple[ListedSpecies, ...]) -> Plan:
    """Return a plan with all atoms that a fit shows clearly.

    What is summed of an atom's levels errs so much that the quick answer may not tell: then it is dropped.
    """
    molecules = frozenset(one.name for one in listed if one.molecular)
    asked = [
        name for name in _significant(scene, solution, molecules | plan.clear)
        if _apart(scene, name) and any(scene.emitters[k].summed for k in scene.columns_of(name))
    ]  # fmt: skip
    dropped = (n for n in asked if drop_species(scene, solution, scene.columns_of(n)).significance > CLEAR_SIGMA)
    return replace(plan, clear=plan.clear | frozenset(dropped))


def with_tilts(plan: Plan, scene: Scene, solution: Solution) -> Plan:
    """Return a plan with the excitation of atoms as a fit shows it.

    Not of a first fit: what glows beside a bright atom is freed first, lest the atom's high levels take its light.
    """
    return replace(plan, tilt=_tilts(scene, solution))


def warming(plan: Plan, scene: Scene, solution: Solution, listed: tuple[ListedSpecies, ...]) -> Plan:
    """Return a plan in which the temperatures of all bands clearly there may move from the usual one."""
    clear = [
        one.name for one in _of_bands(scene, plan, listed)
        if more_significant(scene, solution, scene.columns_of(one.name), TEMPERATURE_SIGMA)
    ]  # fmt: skip
    return replace(plan, kelvin=dict.fromkeys(clear, FIRST_T_ROT_K))


def with_temperatures(plan: Plan, scene: Scene, solution: Solution, listed: tuple[ListedSpecies, ...]) -> Plan:
    """Return a plan with the temperatures that the bands in a fit tell."""
    before_k = moved_kelvin(scene, solution, plan.kelvin)
    found: list[Temperature] = []
    for one in _of_bands(scene, plan, listed):
        fitted = fitted_temperature(scene, solution, one, plan.kelvin[one.name]) if one.name in plan.kelvin else None
        if fitted is not None:
            found.append(fitted)
        elif _apart(scene, one.name) and _tells_temperature(scene, solution, scene.columns_of(one.name)):
            # looked for near its own from before, or that of the others
            near = before_k.get(one.name, found_kelvin(tuple(found)).get(OTHERS))
            found.append(profile_temperature(scene, solution, one, scene.columns_of(one.name), near))
    return replace(plan, temperatures=tuple(found), kelvin=found_kelvin(tuple(found)))


def _tells_temperature(scene: Scene, solution: Solution, columns: NDArray[np.intp]) -> bool:
    """Return whether bands are significant enough to ask.

    The quick answer will do where it is yes: alone in its range a molecule's own errors hold it back.
    """
    return more_significant(scene, solution, columns, TEMPERATURE_SIGMA) or (
        more_significant(scene, solution, columns, FREE_SIGMA)
        and drop_species(scene, solution, columns).significance > TEMPERATURE_SIGMA
    )


def _of_bands(scene: Scene, plan: Plan, listed: tuple[ListedSpecies, ...]) -> list[ListedSpecies]:
    """Return the molecules to be fitted level by level whose bands are drawn at a temperature."""
    return [
        one for one in listed
        if one.molecular and one.name in plan.freed and scene.columns_of(one.name).size and not rough_positions(one)
    ]  # fmt: skip


def _apart(scene: Scene, name: str) -> bool:
    """Return whether the levels of a species are fitted one by one in a scene."""
    return not any(scene.emitters[k].label.endswith("typical") for k in scene.columns_of(name))


def _significant(
    scene: Scene, solution: Solution, but: frozenset[str], sigma: float = FREE_SIGMA
) -> frozenset[str]:
    """Return the species above a significance, but for some."""
    names, _ = scene.species_of_emitters()
    return frozenset(
        n for n in names if n not in but and more_significant(scene, solution, scene.columns_of(n), sigma)
    )


def _freed(scene: Scene, solution: Solution, before: frozenset[str]) -> frozenset[str]:
    """Return the species to be fitted level by level."""
    here = frozenset(scene.species_of_emitters()[0])
    clear = _significant(scene, solution, here - frozenset(FREED_BY.values()), ATOM_SIGMA)
    held = frozenset(name for name, atom in FREED_BY.items() if atom in here and atom not in clear)
    by_atom = frozenset(name for name, atom in FREED_BY.items() if name in here and atom in clear)
    before = before - FREED_AT_FIRST
    return (before | _significant(scene, solution, before) | by_atom) - held


def _bright(scene: Scene, solution: Solution) -> frozenset[str]:
    """Return the species that give much of the line light."""
    names, index = scene.species_of_emitters()
    light = (scene.used.astype(float) @ solution.templates) * solution.x[: len(scene.emitters)]
    share = np.bincount(index, light, len(names)) / max(float(light.sum()), np.finfo(float).tiny)
    return frozenset(name for name, part in zip(names, share, strict=True) if part > BRIGHT_SHARE)


def _vibrating(scene: Scene, solution: Solution, before: frozenset[str]) -> frozenset[str]:
    """Return the molecules of `FEWER_WITHOUT` whose high levels shine, as far as they are fitted; others as before."""
    gram, found = np.diag(solution.sums.gram), set(before)
    for name, (_, fewer) in FEWER_WITHOUT.items():
        own = scene.columns_of(name)
        if own.size <= fewer or not _apart(scene, name):
            continue
        error = BLENDED / np.sqrt(max(float(gram[own[fewer]]), np.finfo(float).tiny))
        shines = solution.x[own[fewer]] - SURE * error > SHINING * solution.x[own[0]]
        found = found | {name} if shines else found - {name}
    return frozenset(found)


def _tilts(scene: Scene, solution: Solution) -> dict[str, float]:
    """Return by how much each atom is excited otherwise than typical."""
    m = len(scene.emitters)
    error = BLENDED / np.sqrt(np.maximum(np.diag(solution.sums.gram)[:m], np.finfo(float).tiny))
    weight, energy = (np.array([getattr(e, name) for e in scene.emitters]) for name in ("weight", "energy_ev"))
    found = {}
    for name in scene.species_of_emitters()[0]:
        own = scene.columns_of(name)
        found[name] = level_tilt(energy[own], weight[own], solution.x[:m][own], error[own])
    return {name: value for name, value in found.items() if value}
