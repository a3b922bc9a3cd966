"""``glowledger compare``: runs or gases beside each other, and the plan of such a comparison."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from glowledger import progress
from glowledger.cli.completing import windows
from glowledger.cli.figure_options import figure_options
from glowledger.cli.identify import spoken_command
from glowledger.cli.reading_options import reading_options
from glowledger.cli.run_options import Wanted, one_species
from glowledger.cli.telling import progress_shown, remarks

if TYPE_CHECKING:
    from glowledger.diagnose.compared_run import ComparedRun
    from glowledger.report.leaving import Drawn
    from glowledger.report.plan_answers import Plan

STATED = ("gas", "power", "pressure", "gauge", "part")  # context that can be given per run


@dataclass(frozen=True)
class Sources:
    """How raw runs are followed."""

    bench_file: Path | None
    dark: Path | None
    window: str | None
    reference: str | None
    reading: dict[str, Any]


def _names(_: click.Context, __: click.Parameter, value: str | None) -> tuple[str, ...]:
    return tuple(name.strip() for name in value.split(",")) if value else ()


def _per_run(_: click.Context, parameter: click.Parameter, value: tuple[str, ...]) -> tuple[tuple[str, str], ...]:
    pairs = []
    for text in value:
        name, mark, stated = text.rpartition("=")
        if mark and not (name.strip() and stated.strip()):
            raise click.BadParameter(f"'{text}' is neither VALUE nor NAME=VALUE.")
        pairs.append((name.strip(), stated.strip()))
    return tuple(pairs)


@click.command()
@click.argument("runs", nargs=-1, type=click.Path(path_type=Path), metavar="RUN...")
@click.option("--names", callback=_names, metavar="A,B,...", help="What to call the runs, in their order [file names].")
@click.option(
    "--gas", multiple=True, callback=_per_run, metavar="NAME=GAS",
    help="Process gas of a run, e.g. first=O2 or first=Ar:0.9,O2:0.1; without NAME= of all. With --plan alone: a gas "
    "to be compared, once for each.",
)
@click.option(
    "--power", multiple=True, callback=_per_run, metavar="NAME=POWER",
    help="Power of a run, e.g. first='60 W'; without NAME= of all.",
)
@click.option(
    "--pressure", multiple=True, callback=_per_run, metavar="NAME=PRESSURE",
    help="Pressure read in a run, e.g. first='5 ± 0.2 Pa'; without NAME= of all.",
)
@click.option(
    "--gauge", multiple=True, callback=_per_run, metavar="NAME=KIND",
    help="Kind of gauge behind --pressure, e.g. pirani or capacitance; most kinds depend on the gas.",
)
@click.option(
    "--part", multiple=True, callback=_per_run, metavar="NAME=PART",
    help="What was cleaned; without NAME= in all runs.",
)
@click.option(
    "--indicator", metavar="SPECIES", callback=one_species,
    help="Contaminant whose decay and levels are compared [chosen].",
)  # fmt: skip
@click.option("--bench", "bench_file", type=click.Path(path_type=Path), help="The bench.toml of this spectrometer.")
@click.option("--dark", type=click.Path(path_type=Path), help="File of dark frames to subtract.")
@click.option(
    "--window", metavar="MATERIAL", shell_complete=windows,
    help="What the viewport is made of, e.g. acrylic.",
)  # fmt: skip
@click.option(
    "--reference", metavar="SPECIES", callback=one_species,
    help="Divide contaminants by this, or by 'total light' [found].",
)  # fmt: skip
@click.option("--plan", is_flag=True, help="Say how to compare gases: what to keep fixed, how many repeats it takes.")
@click.option(
    "--difference", type=click.FloatRange(min=0, min_open=True), default=0.2, show_default=True, metavar="PART",
    help="With --plan: relative difference in time to be seen.",
)
@click.option(
    "--scatter", type=click.FloatRange(min=0, min_open=True), metavar="PART",
    help="With --plan: relative scatter between runs in the same gas [from the runs given].",
)
@click.option(
    "--chance", type=click.FloatRange(min=0.06, max=0.999), default=0.8, show_default=True,
    help="With --plan: probability with which a difference of that size is to be seen.",
)
@click.option(
    "--gases", type=click.IntRange(min=2, max=20), default=2, show_default=True,
    help="With --plan: number of gases to compare.",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document instead of text.")
@click.option("-o", "--output", type=click.Path(path_type=Path), help="Folder for page, figure and tables.")
@figure_options
@reading_options
def command(
    runs: tuple[Path, ...], names: tuple[str, ...], indicator: str | None, plan: bool, as_json: bool,
    output: Path | None, drawn: Drawn, reading: dict[str, Any], **asked: Any,
) -> None:  # fmt: skip
    """Hold two or more RUNs beside each other: raw runs, or documents that track wrote.

    Says which differences are larger than their uncertainty, which comparisons are not fair and why, and who is
    fastest where that can be told. With --plan it says how many repeats a comparison of gases takes; earlier runs
    given with it tell how much runs scatter.

    \b
    Examples:
      glowledger compare sample_spectra/cleaning_run.csv sample_spectra/blank_run.csv --bench bench.toml --dark sample_spectra/dark.csv
      glowledger compare --plan --difference 0.3 --scatter 0.15 --gas O2 --json
    """  # noqa: E501
    if len(runs) < 2 and not plan:
        raise click.UsageError("Give two or more runs to compare, or --plan.")
    if plan and output is not None and len(runs) < 2:
        raise click.UsageError("-o writes a comparison: give two or more runs.")
    called = _called(runs, names)
    options: dict[str, tuple[tuple[str, str], ...]] = {name: asked.pop(name) for name in STATED}
    planned_gases = [gas for name, gas in options["gas"] if not name] if plan and not runs else []
    if planned_gases:  # of a plan these are the gases to be compared, not one said twice
        options["gas"] = options["gas"][:1]
    stated = _stated(called, options)
    sources = Sources(
        bench_file=asked["bench_file"], dark=asked["dark"], window=asked["window"], reference=asked["reference"],
        reading=reading,
    )  # fmt: skip
    read = []
    with progress_shown(f"compare {len(runs)} runs"):
        for i, (file, name) in enumerate(zip(runs, called, strict=True)):
            with progress.share(i / len(runs), (i + 1) / len(runs)):
                read.append(_read(file, name, stated[name], sources))
    planned = (
        _plan([run for run, _ in read], asked["difference"], asked["scatter"], asked["chance"],
              max(asked["gases"], len(planned_gases)))
        if plan else None
    )  # fmt: skip
    gases = planned_gases or [gas for gas in (stated[""].get("gas"),) if gas]
    notice = next((n for _, n in read if n), None)
    _tell([run for run, _ in read], planned, indicator, gases, notice, as_json, output, drawn)


def _called(runs: Sequence[Path], names: tuple[str, ...]) -> list[str]:
    """Return what the runs are called; a document is called after its folder where its own name says nothing."""
    if names and len(names) != len(runs):
        raise click.UsageError(f"--names has {len(names)} names for {len(runs)} runs.")
    if names:
        return list(names)
    called = [run.resolve().parent.name if run.name == "track.json" else run.stem or run.resolve().name for run in runs]
    if len(set(called)) == len(called):
        return called
    return [f"{name} {i}" if called.count(name) > 1 else name for i, name in enumerate(called, 1)]


def _stated(
    called: list[str], options: dict[str, tuple[tuple[str, str], ...]]
) -> dict[str, dict[str, str]]:
    """Return what was stated of each run; ``""`` holds what was stated of all."""
    found: dict[str, dict[str, str]] = {name: {} for name in ("", *called)}
    for option, pairs in options.items():
        for name, value in sorted(pairs, key=lambda pair: bool(pair[0])):  # what holds for all comes first
            if name and name not in called:
                where = f"the runs are {', '.join(called)}" if called else "no run is given"
                raise click.UsageError(f"--{option} names a run '{name}'; {where}.")
            if not name and len([pair for pair in pairs if not pair[0]]) > 1:
                raise click.UsageError(f"--{option} says two things of all runs; write --{option} NAME=VALUE.")
            for one in [name] if name else ["", *called]:
                found[one][option] = value
    return found


def _read(file: Path, name: str, given: dict[str, str], sources: Sources) -> tuple[ComparedRun, str | None]:
    """Read a run or follow it; return it with the notice on its data."""
    from glowledger.diagnose.compared_run import read_run
    from glowledger.diagnose.earlier_run import run_from_document
    from glowledger.ledger.context import read_context
    from glowledger.ledger.run_conditions import conditions_of, stated_context

    place, document = _document(file)
    if document is not None:
        result = run_from_document(document, file=place)
        context = stated_context(document, given)
    else:
        from glowledger.cli.track import follow

        context = read_context(file, given)
        followed = follow(
            file,
            Wanted(
                bench_file=sources.bench_file, dark=sources.dark, reference=sources.reference,
                window=sources.window or context.words.get("window"),
            ),
            sources.reading,
        )  # fmt: skip
        result, document = followed.result, followed.extra
    notice = document.get("notice")
    return read_run(name, result, conditions_of(result, document, context)), str(notice) if notice else None


def _document(file: Path) -> tuple[Path, dict[str, Any] | None]:
    """Return the document of `track` in a file or a run folder, None for raw data."""
    import json

    from glowledger.errors import RunError

    place = file / "track.json" if file.is_dir() and (file / "track.json").is_file() else file
    try:
        with place.open("rb") as stream:
            if not stream.read(64).lstrip(b"\xef\xbb\xbf \t\r\n").startswith(b"{"):
                return place, None
        return place, json.loads(place.read_text(encoding="utf-8-sig"))
    except OSError:
        return place, None  # a folder of raw frames, or a file that the reader will complain about
    except ValueError as error:
        raise RunError(f"the document of the run cannot be read ({error}).", mend="Track the run again.",
                       file=place) from None  # fmt: skip


def _plan(runs: list[ComparedRun], difference: float, scatter: float | None, chance: float, gases: int) -> Plan:
    """Return the plan, with the scatter as stated or from earlier runs."""
    from glowledger.diagnose.earlier_scatter import scatter_of
    from glowledger.diagnose.repeats_needed import scatter_from_relative
    from glowledger.report.plan_answers import Plan

    known, unknown = (scatter_from_relative(scatter), "") if scatter is not None else scatter_of(runs)
    return Plan(difference=difference, chance=chance, gases=gases, scatter=known, unknown=unknown)


def _tell(
    runs: list[ComparedRun], plan: Plan | None, indicator: str | None, gases: list[str],
    notice: str | None, as_json: bool, output: Path | None, drawn: Drawn,
) -> None:  # fmt: skip
    """Compare, write and print."""
    from glowledger.diagnose.comparing import compare_runs
    from glowledger.diagnose.feed import parse_feed
    from glowledger.report import compare_answers, documents, plan_answers
    from glowledger.report.compare_files import write_compare
    from glowledger.report.gas_cautions import gas_cautions

    compared = compare_runs(runs, indicator) if len(runs) > 1 else None
    cautions = gas_cautions([*(run.conditions.feed for run in runs), *(parse_feed(gas) for gas in gases)])
    extra: dict[str, object] = {"cautions": cautions} | ({"notice": notice} if notice else {})
    planned = None if plan is None else plan_answers.plan_document(plan)
    notes = [f"{notice}."] if notice else []
    if output is not None and compared is not None:
        written = write_compare(
            output, compared, command=spoken_command(), cautions=cautions, notice=notice, plan=planned, extra=extra,
            drawn=drawn,
        )
        notes += remarks(f"Wrote {written[0]} and {len(written) - 1} files beside it.")
    if as_json:
        click.echo(documents.dumps(compare_answers.compare_document(compared, plan=planned, extra=extra)))
        return
    if plan is not None:
        click.echo(plan_answers.plan_text(plan, cautions=cautions, notes=notes if compared is None else ()))
    if compared is not None:
        gap = "\n" if plan is not None else ""
        text = compare_answers.compare_text(compared, cautions=() if plan is not None else cautions, notes=notes)
        click.echo(f"{gap}{text}")
