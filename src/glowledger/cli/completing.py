"""What a shell is told when it completes the value of an option: names from the tables."""

from __future__ import annotations

import click


def _starting(names: tuple[str, ...], incomplete: str) -> list[str]:
    return [name for name in names if name.casefold().startswith(incomplete.casefold())]


def lamps(_ctx: click.Context, _parameter: click.Parameter, incomplete: str) -> list[str]:
    """Return the lamps whose names begin so."""
    from glowledger.tables.lamps import lamp_names

    return _starting(("auto", *lamp_names()), incomplete)


def windows(_ctx: click.Context, _parameter: click.Parameter, incomplete: str) -> list[str]:
    """Return the window materials whose names begin so."""
    from glowledger.tables.windows import window_names

    return _starting(window_names(), incomplete)


def species(_ctx: click.Context, _parameter: click.Parameter, incomplete: str) -> list[str]:
    """Return the species whose names begin like what stands after the last comma."""
    from glowledger.tables.species import find_species

    before, comma, last = incomplete.rpartition(",")
    return [f"{before}{comma}{name}" for name in _starting(tuple(s.name for s in find_species()), last.lstrip())]


def topics(_ctx: click.Context, _parameter: click.Parameter, incomplete: str) -> list[str]:
    """Return the guides whose names begin so."""
    from glowledger.guide.reading import topics as known

    return _starting(tuple(one.name for one in known()), incomplete)
