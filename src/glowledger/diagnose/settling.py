"""What would settle a conclusion, as the gas in the chamber allows it. Common practice, no source."""

from __future__ import annotations

from glowledger.diagnose.sightings import Sightings

HELIUM_JET = (
    "blow a little helium at one seal after another and watch He 587.6 nm, the hose well away from high-voltage "
    "feedthroughs, where helium makes a spark strike more easily"
)
ARGON_JET = (
    "blow a little argon at one seal after another and watch Ar 811.5 nm, the hose well away from high-voltage "
    "feedthroughs"
)
NO_JET = "blow helium at the seals with the chamber pumped and a leak detector or gauge: its light says nothing here"
CLOSE_INLET = (
    "close the gas inlet or bleed valve for a moment, as long as the glow burns: light of a leak stays or grows, that "
    "of the bottle goes"
)
ISOLATE = (
    "plasma off, close the valve to the pump and watch the pressure: a leak rises in a straight line, outgassing bends "
    "over"
)
LEAK_TESTS = (CLOSE_INLET, ISOLATE, HELIUM_JET)
WATER_TESTS = (
    "keep pumping: water falls over hours (about 1/t), a leak does not",
    "warm the chamber gently, within what seals and window stand: water rises at once",
    "run a pump-only blank after a night of pumping",
)
COLD_TRAP = "fill a cold trap between pump and chamber: oil of the pump falls, residue does not"
NO_COLD_TRAP = (
    "leave a liquid-nitrogen trap empty while oxygen is fed: oxygen and ozone condense in it, and can explode with oil"
)
OIL_TESTS = (
    "close the valve or baffle to the pump for a moment: backstreaming oil falls, a film on the part does not",
    "run a pump-only blank of the clean, empty chamber: oil of the pump is there again, residue is not",
    COLD_TRAP,
    "trend it: residue on the part burns away, the pump's oil does not",
)


def for_feed(tests: tuple[str, ...], seen: Sightings) -> tuple[str, ...]:
    """Return the tests that can tell something, and hurt nobody, with the gas that is fed.

    Parameters
    ----------
    tests : tuple of str
        As the rules give them.
    seen : Sightings
        With the feed.

    Returns
    -------
    tuple of str
        A jet of a gas that is fed tells nothing; a trap at 77 K collects oxygen and ozone.
    """
    jet = HELIUM_JET
    if seen.feeds("He"):
        jet = NO_JET if seen.feeds("Ar") else ARGON_JET
    trap = NO_COLD_TRAP if seen.feeds("O") else COLD_TRAP
    changed = {HELIUM_JET: jet, COLD_TRAP: trap}
    return tuple(changed.get(test, test) for test in tests)
