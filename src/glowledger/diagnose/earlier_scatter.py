"""How much earlier runs in the same gas scattered, for the plan of a comparison."""

from __future__ import annotations

from collections.abc import Sequence

from glowledger.diagnose.compared_run import QUANTITIES, ComparedRun, with_main
from glowledger.diagnose.comparing import main_species
from glowledger.diagnose.gas_groups import logs_by_gas
from glowledger.diagnose.repeats_needed import Scatter, log_scatter

TRIED = ("endpoint_s", "time_constant_s")


def scatter_of(runs: Sequence[ComparedRun]) -> tuple[Scatter | None, str]:
    """Return the scatter between runs in the same gas, or None and why not.

    Parameters
    ----------
    runs : sequence of ComparedRun
        Earlier runs; runs whose gas is not stated count as one gas.

    Returns
    -------
    scatter : Scatter or None
        Of the time to the endpoint, or else of the time constant: whichever more runs have.
    why : str
        Empty, or why it cannot be told.
    """
    if not runs:
        return None, "no earlier runs were given and no scatter was stated."
    main, _ = main_species(runs)
    full = [with_main(run, main) for run in runs]
    found: list[tuple[Scatter, str]] = []
    for quantity in TRIED:
        scatter = log_scatter(list(logs_by_gas(full, quantity).values()))
        if scatter is not None:
            found.append((scatter, quantity))
    if not found:
        return None, (
            "it takes two earlier runs or more in the same gas with a known time; one run says nothing of the scatter "
            "between runs. State it with --scatter."
        )
    scatter, quantity = max(found, key=lambda one: one[0].freedom)
    return (
        Scatter(value=scatter.value, low=scatter.low, high=scatter.high, freedom=scatter.freedom,
                source=f"{scatter.source}, {QUANTITIES[quantity][0]}"),
        "",
    )  # fmt: skip
