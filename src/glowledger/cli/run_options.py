"""What the user may ask of a run's analysis, shared by the commands that follow one."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from glowledger.cli.completing import windows
from glowledger.cli.identify import calibrated_frames

if TYPE_CHECKING:
    from glowledger.bench.model import Bench
    from glowledger.glow.results import SeriesFit
    from glowledger.glow.series import SeriesModel
    from glowledger.runs.blank import Blank
    from glowledger.runs.run_options import RunOptions

Command = TypeVar("Command", bound=Callable[..., Any])


@dataclass(frozen=True)
class Wanted:
    """What the user asked of `track`, beyond how the files are read."""

    bench_file: Path | None = None
    dark: Path | None = None
    blank: Path | None = None
    window: str | None = None
    reference: str | None = None
    indicators: tuple[str, ...] = ()
    fraction: float = 0.05
    assurance: float | None = None
    hold_s: float = 0.0
    margin: float = 0.05
    over_clean: float = 0.0
    slow_part: float | None = None


def run_options(
    wanted: Wanted, model: SeriesModel, series: SeriesFit, bench: Bench | None, reading: dict[str, Any] | None
) -> RunOptions:
    """Return the options of a run from what was asked and what was learned of it."""
    from glowledger.runs.endpoint import ASSURANCE, SLOW_PART, Criterion
    from glowledger.runs.run_options import RunOptions

    blanks: dict[str, Blank] = {}
    if wanted.blank is not None:
        from glowledger.runs.blank_runs import blank_levels

        frames = calibrated_frames(wanted.blank, bench=bench, dark=wanted.dark, reading=reading)
        blanks = blank_levels(series, model.measure(frames), wanted.reference, wanted.margin)
    return RunOptions(
        reference=wanted.reference,
        indicators=wanted.indicators,
        candidates=model.joint,
        present=model.present,
        criterion=Criterion(
            fraction=wanted.fraction,
            assurance=ASSURANCE if wanted.assurance is None else wanted.assurance,
            hold_s=wanted.hold_s,
            over_clean=wanted.over_clean,
            slow_part=SLOW_PART if wanted.slow_part is None else wanted.slow_part,
        ),
        blanks=blanks,
    )


def one_species(_: click.Context, __: click.Parameter, value: str | None) -> str | None:
    """Return the species an option names, in the notation of the tables."""
    from glowledger.runs.flash_end import FLASHES
    from glowledger.runs.ratios import TOTAL
    from glowledger.tables.species import main_species

    return value if value is None or value in (FLASHES, TOTAL) else main_species(value)


def _each_species(context: click.Context, option: click.Parameter, values: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(str(one_species(context, option, value)) for value in values)


def _part(low: float, high: float) -> click.FloatRange:
    return click.FloatRange(min=low, max=high, min_open=True, max_open=True)


_OPTIONS = (
    click.option("--bench", "bench_file", type=click.Path(path_type=Path), help="The bench.toml of this spectrometer."),
    click.option("--dark", type=click.Path(path_type=Path), help="File of dark frames to subtract."),
    click.option(
        "--blank",
        type=click.Path(path_type=Path),
        help="A run of the clean empty chamber under the same conditions; equality with it then decides.",
    ),
    click.option(
        "--window", metavar="MATERIAL", shell_complete=windows,
        help="What the viewport is made of, e.g. acrylic.",
    ),
    click.option(
        "--reference",
        metavar="SPECIES",
        callback=one_species,
        help="Divide contaminants by this species, or by 'total light' [a noble gas, O I, N2 or H2, as found].",
    ),
    click.option(
        "--indicator",
        "indicators",
        multiple=True,
        metavar="SPECIES",
        callback=_each_species,
        help="Follow this contaminant, or 'flashes'; where given several times, all must agree [all that are seen].",
    ),
    click.option(
        "--criterion-fraction",
        "fraction",
        type=_part(0, 0.5),
        default=0.05,
        show_default=True,
        help="Part of its start below which the excess over the floor has to fall.",
    ),
    click.option(
        "--assurance",
        type=_part(0.5, 1.0),
        default=None,
        help="Probability with which it has to be below [0.95].",
    ),
    click.option(
        "--hold",
        "hold_s",
        type=click.FloatRange(min=0),
        default=0.0,
        metavar="SECONDS",
        help="Time for which that has to stay so [3 frames].",
    ),
    click.option(
        "--margin",
        type=_part(0, 1.0),
        default=0.05,
        show_default=True,
        help="With --blank: largest difference from the blank that counts as equal, as part of the first level.",
    ),
    click.option(
        "--over-clean",
        type=click.FloatRange(min=0),
        default=0.0,
        metavar="PART",
        help="Part of the endpoint time to go on for hidden faces; it is said, not waited for.",
    ),
    click.option(
        "--slow-part",
        type=_part(0, 0.8),
        default=None,
        help="How likely, from runs like this, a slow second decay hides behind the first; lower declares sooner "
        "[0.3].",
    ),
)


def wanted_options(function: Command) -> Command:
    """Add the options to a command, which receives them as one object ``wanted``."""

    @functools.wraps(function)
    def gathered(*args: Any, **kwargs: Any) -> Any:
        kwargs["wanted"] = Wanted(**{name: kwargs.pop(name) for name in Wanted.__dataclass_fields__})
        return function(*args, **kwargs)

    for option in reversed(_OPTIONS):
        gathered = option(gathered)
    return gathered  # type: ignore[return-value]
