"""One run as `compare` holds it beside others."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from glowledger.diagnose.estimates import Estimate
from glowledger.diagnose.fair_comparison import END, FLASH, LEVEL, TIME, Conditions
from glowledger.diagnose.run_estimates import DecayReading, endpoint_estimate, flash_rate, read_decay
from glowledger.runs.results import RunResult

# quantity -> (plain name, unit, what kind of comparison it is)
QUANTITIES: dict[str, tuple[str, str, str]] = {
    "endpoint_s": ("time to the endpoint", "s", END),
    "time_constant_s": ("time constant", "s", TIME),
    "slow_constant_s": ("slow time constant", "s", TIME),
    "initial_level": ("level at the start", "", LEVEL),
    "final_level": ("level at the end", "", LEVEL),
    "flashes_per_min": ("flash rate", "per min", FLASH),
    "rate_per_watt": ("cleaning rate per watt", "1/(s W)", TIME),
    "rate_per_pascal": ("cleaning rate per pascal", "1/(s Pa)", TIME),
}
Z95 = 1.959964


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ComparedRun:
    """A run, under what it was recorded, and its numbers.

    Attributes
    ----------
    name : str
        As it is called in the answer.
    result : RunResult
        Everything it says.
    conditions : Conditions
        As far as stated.
    decays : tuple of DecayReading
        One per indicator.
    main : str
        Contaminant whose decay and levels are compared.
    estimates : dict of str to Estimate
        The numbers of `QUANTITIES`.
    """

    name: str
    result: RunResult
    conditions: Conditions
    decays: tuple[DecayReading, ...]
    main: str = ""
    estimates: dict[str, Estimate] = field(default_factory=dict)

    @property
    def gas(self) -> str:
        """The process gas as stated, or an empty text."""
        return "" if self.conditions.feed is None else str(self.conditions.feed)

    def decay(self, species: str) -> DecayReading | None:
        """Return the reading of one contaminant."""
        return next((d for d in self.decays if d.species == species), None)


def read_run(name: str, result: RunResult, conditions: Conditions) -> ComparedRun:
    """Read every decay of a run; `with_main` then chooses the one to compare."""
    decays = tuple(read_decay(trend, result.regimes) for trend in result.indicators)
    return ComparedRun(name=name, result=result, conditions=conditions, decays=decays)


def cadence_of(result: RunResult) -> float:
    """Return the usual time between frames, s; NaN if there is none."""
    times = result.indicators[0].time_s if result.indicators else np.array([])
    steps = np.diff(times)
    return float(np.median(steps)) if steps.size else math.nan


def with_main(run: ComparedRun, main: str) -> ComparedRun:
    """Return the run with the numbers that are compared, for one contaminant."""
    decay = run.decay(main)
    none = Estimate(reason=f"{main} was not followed" if main else "no contaminant was followed")
    tau = none if decay is None else decay.time_constant
    slow = none if decay is None else decay.slow_constant
    lasting = slow if slow.known else tau  # the stage that the end waits for
    start = run.result.regimes[0].start_s if run.result.regimes else 0.0
    c = run.conditions
    estimates = {
        "endpoint_s": endpoint_estimate(run.result.endpoint, start),
        "time_constant_s": tau,
        "slow_constant_s": slow,
        "initial_level": none if decay is None else decay.initial,
        "final_level": none if decay is None else decay.final,
        "flashes_per_min": flash_rate(run.result),
        "rate_per_watt": _rate(lasting, c.power_w, c.power_se_w, "the power is not stated"),
        "rate_per_pascal": _rate(
            lasting, c.pressure_pa, c.pressure_se_pa, c.pressure_reason or "the pressure is not stated"
        ),
    }
    return ComparedRun(
        name=run.name, result=run.result, conditions=c, decays=run.decays, main=main, estimates=estimates
    )


def _rate(tau: Estimate, per: float, per_se: float, unknown: str) -> Estimate:
    """Return 1 / (tau * per); ends of the interval by quadrature on the log scale."""
    if not tau.known:
        return Estimate(reason=tau.reason)
    if not (math.isfinite(per) and per > 0):
        return Estimate(reason=unknown)
    spread = Z95 * per_se / per if math.isfinite(per_se) else 0.0
    value = 1.0 / (tau.value * per)
    down = math.hypot(math.log(tau.high / tau.value), spread) if math.isfinite(tau.high) else math.inf
    up = math.hypot(math.log(tau.value / tau.low), spread) if tau.low > 0 else math.inf
    return Estimate(value=value, low=value * math.exp(-down), high=value * math.exp(up))
