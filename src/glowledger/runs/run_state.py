"""The state of a run in progress as plain data, and back."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from glowledger.runs.clock import RunClock
from glowledger.runs.endpoint import EndpointFollower
from glowledger.runs.flash_end import FlashFollower
from glowledger.runs.frame_counts import FrameCounts
from glowledger.runs.optics import Optics
from glowledger.runs.ratios import Reference
from glowledger.runs.rising_gas import RisingGas
from glowledger.runs.run_log import RunLog
from glowledger.runs.run_options import RunOptions
from glowledger.runs.screening import Screen

if TYPE_CHECKING:
    from glowledger.runs.following import RunFollower

_PLAIN = ("frames", "saturated", "bright_s", "first_s", "last_s", "out_since_s", "verdict_each")


def state_of(follower: RunFollower) -> dict[str, object]:
    """Return the state as plain numbers, strings, lists and dicts; the options are not part of it."""
    return {
        "species_names": list(follower.species_names),
        "clock": asdict(follower.clock),
        "screen": follower.screen.to_dict(),
        "optics": asdict(follower.optics),
        "rising": asdict(follower.rising),
        "log": follower.log.to_dict(),
        "reference": None if follower.reference is None else asdict(follower.reference),
        "warming": [frame.to_dict() for frame in follower.warming],
        "followers": {name: f.to_dict() for name, f in follower.followers.items()},
        "flash_end": follower.flash_end.to_dict(),
        "strength": {name: list(values) for name, values in follower.strength.items()},
        "seen": list(follower.seen),
        "joined": list(follower.joined),
    } | {name: getattr(follower, name) for name in _PLAIN}


def parts_of(state: dict[str, Any], options: RunOptions) -> dict[str, Any]:
    """Return what a follower is built from: its state, and the options it was made with."""
    return {
        "species_names": tuple(state["species_names"]),
        "options": options,
        "clock": RunClock(**state["clock"]),
        "screen": Screen.from_dict(state["screen"]),
        "optics": Optics(**state["optics"]),
        "rising": RisingGas(**state["rising"]),
        "log": RunLog.from_dict(state["log"]),
        "reference": None if state["reference"] is None else Reference(**state["reference"]),
        "warming": [FrameCounts.from_dict(frame) for frame in state["warming"]],
        "followers": {
            name: EndpointFollower.from_dict(f, options.criterion_for(name)) for name, f in state["followers"].items()
        },
        "flash_end": FlashFollower.from_dict(state["flash_end"]),
        "strength": {name: list(values) for name, values in state["strength"].items()},
        "seen": list(state["seen"]),
        "joined": list(state["joined"]),
    } | {name: state[name] for name in _PLAIN}
