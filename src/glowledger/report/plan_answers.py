"""A plan for a comparison of gases: what to keep fixed and how many repeats, as text and document."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from glowledger.diagnose.repeats_needed import MOST, Scatter, repeats_for, smallest_difference
from glowledger.report.numbers import percent
from glowledger.report.sentences import Table, text_table
from glowledger.report.wrapping import filled

STEPS = (
    "Change the gas and nothing else. Pump down and purge between gases until the light of the last one is gone.",
    "Same soiling: pieces of one batch, soiled the same way and at the same time, one piece a run, never reused.",
    "Same position of the part, same electrode and spacing, same fibre, lens and window; clean the window between runs "
    "or check it with the blank.",
    "Same warm-up of spectrometer and supply, same exposure and time between frames, same bench.toml and dark frames "
    "of the day.",
    "Same power, and same gas pressure: a Pirani or ionisation gauge reads gas-dependent, so correct the reading or "
    "use a capacitance gauge. Write both into run.toml.",
    "A blank run of the clean empty chamber in the same gas before each run; the chamber must have come back to it.",
    "Take the runs in random order, gases mixed, so that drift of pump, window or day does not pose as a gas.",
    "Use the same reference species in all gases if it can be had (a few per cent of argon); levels of light in "
    "different gases are not amounts, so compare times.",
    "Judge when all runs are done: 'glowledger compare RUN RUN ... --gas NAME=GAS'. Stopping as soon as a difference "
    "shows finds differences that are not there.",
)
SOURCE = (
    "Power of the two-sided t test on logarithms, exact (J. Cohen, Statistical Power Analysis, 2nd ed. 1988, ch. 2); "
    "the level is shared by all pairs of gases."
)
TYPICAL = (0.05, 0.1, 0.2, 0.3)  # relative scatters to show where none is known
SHOWN = (2, 3, 5, 10)  # repeats for which the smallest visible difference is shown


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What was asked of a plan, and what is known of the scatter.

    Attributes
    ----------
    difference : float
        Relative difference to be seen.
    chance : float
        Probability to see it.
    gases : int
        Gases to compare.
    scatter : Scatter or None
        Between runs; None where it is not known.
    unknown : str
        Why it is not known.
    """

    difference: float
    chance: float
    gases: int
    scatter: Scatter | None
    unknown: str = ""

    def needed(self, scatter: float) -> int | None:
        """Return the runs per gas for a scatter, None if there are too many."""
        return repeats_for(self.difference, scatter, gases=self.gases, power=self.chance).needed


def plan_summary(plan: Plan) -> list[str]:
    """Return what the plan comes to: the number of runs first."""
    aim = f"to see a difference of {percent(plan.difference)} in time with a chance of {percent(plan.chance)}"
    if plan.scatter is None:
        return [f"Cannot tell how many repeats it takes {aim}: {plan.unknown} The table shows it for several scatters."]
    s = plan.scatter
    said = [f"{_runs(plan.needed(s.value))} per gas {aim}, {plan.gases} gases."]
    if math.isfinite(s.low):
        said.append(
            f"Runs in the same gas scatter by {_relative(s.value)} ({s.source}); from so few runs it may be "
            f"{_relative(s.low)} to {_relative(s.high)}, which would take {_bare(plan.needed(s.low))} to "
            f"{_bare(plan.needed(s.high))} runs per gas."
        )
    else:
        said.append(f"Scatter between runs in the same gas: {_relative(s.value)}, {s.source}.")
    return said


def plan_table(plan: Plan) -> Table:
    """Return repeats and smallest visible differences for the scatter known, or for several."""
    s = plan.scatter
    shown = [s.value] if s else [math.sqrt(math.log1p(x * x)) for x in TYPICAL]
    if s is not None and math.isfinite(s.low):
        shown = [s.low, s.value, s.high]
    header = ("Scatter between runs", "Runs per gas", *(f"{n} runs see" for n in SHOWN))
    rows = [
        (_relative(x), _bare(plan.needed(x)), *(_seen(plan, n, x) for n in SHOWN)) for x in shown
    ]
    return header, rows


def plan_text(plan: Plan, *, cautions: Sequence[str] = (), notes: Sequence[str] = (), width: int = 100) -> str:
    """Return the plan for a terminal."""
    steps = [f"{i}. {step}" for i, step in enumerate(STEPS, 1)]
    blocks = [
        filled(plan_summary(plan), width),
        text_table(plan_table(plan)),
        filled(steps, width),
        filled([SOURCE], width),
        filled([f"Caution: {c}" for c in cautions], width),
        filled(notes, width),
    ]
    return "\n\n".join(b for b in blocks if b)


def plan_document(plan: Plan) -> dict[str, object]:
    """Return the plan for a JSON document."""
    s = plan.scatter
    ends = [s.low, s.high] if s is not None and math.isfinite(s.low) else []
    return {
        "difference": plan.difference,
        "chance": plan.chance,
        "gases": plan.gases,
        "scatter": None if s is None else s.value,
        "scatter_interval": None if s is None else [s.low, s.high],
        "scatter_source": plan.unknown if s is None else s.source,
        "repeats_per_gas": None if s is None else plan.needed(s.value),
        "repeats_interval": [plan.needed(x) for x in ends] or None,
        "repeats_for": [
            {"scatter": x, "repeats_per_gas": plan.needed(math.sqrt(math.log1p(x * x)))} for x in TYPICAL
        ],
        "keep_fixed": list(STEPS),
    }  # fmt: skip


def _relative(scatter: float) -> str:
    """Return a scatter of logarithms as standard deviation over mean (log-normal)."""
    return percent(math.sqrt(math.expm1(scatter**2)))


def _seen(plan: Plan, n: int, scatter: float) -> str:
    seen = smallest_difference(n, scatter, gases=plan.gases, power=plan.chance)
    return percent(seen) if seen < 10.0 else "> 1000 %"


def _bare(needed: int | None) -> str:
    return f"more than {MOST}" if needed is None else str(needed)


def _runs(needed: int | None) -> str:
    return f"More than {MOST} runs" if needed is None else f"{needed} runs"
