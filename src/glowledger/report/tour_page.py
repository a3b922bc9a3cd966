"""The front page of the tour: what each step did, its figure, its answer, the command to type."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from glowledger.diagnose.cautions import DEFER, cautions
from glowledger.report import page, sentences, style
from glowledger.runs.results import Endpoint

# shown on the front page; the others are on the pages of their steps
MAIN_FIGURE = {"calibrate": "calibration.png", "identify": "spectrum.png", "track": "run.png"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One step of the tour.

    Attributes
    ----------
    name : str
        The command.
    heading : str
        What it is for.
    command : str
        As one would type it.
    document : mapping
        The JSON document the command printed.
    files : sequence of str
        What it wrote, relative to the folder.
    """

    name: str
    heading: str
    command: str
    document: Mapping[str, object]
    files: Sequence[str]


def endpoint_of(document: Mapping[str, object]) -> Endpoint:
    """Return the endpoint of a ``glowledger/track/1`` document; what is null there becomes NaN."""
    told: Any = document["endpoint"]
    return Endpoint(**{field.name: _number(told[field.name]) for field in fields(Endpoint)})


def step_sentences(step: Step) -> list[str]:
    """Return the answer of a step in plain language, the most important first."""
    match step.name:
        case "calibrate":
            return [str(step.document["verdict"]), *map(str, _list(step.document["warnings"]))]
        case "identify":
            found = [s for s in _list(step.document["species"]) if s["verdict"] == "present"]
            names = ", ".join(sentences.plain_name(s["name"]) for s in found) or "nothing for certain"
            return [f"In the glow: {names}.", *(f["text"] for f in _list(step.document["findings"]))]
        case "track":
            end = endpoint_of(step.document)
            return [sentences.verdict_sentence(end), end.reason, *sentences.limits_of_light(end)]
        case _:
            return []


def tour_page(steps: Sequence[Step], folder: Path) -> str:
    """Return the front page, with the main figure of every step inside.

    Parameters
    ----------
    steps : sequence of Step
        In the order they were run.
    folder : Path
        Where their files lie.

    Returns
    -------
    str
        HTML that needs no network; links lead to the files beside it.
    """
    sections = []
    for number, step in enumerate(steps, 1):
        said = step_sentences(step)
        pictures = [
            page.Picture(
                content=(folder / name).read_bytes(), alt=said[0], caption=f"{name}. {style.INVENTED}."
            )
            for name in step.files
            if Path(name).name == MAIN_FIGURE.get(step.name)
        ]
        section = page.Section(
            heading=f"{number}. {step.heading}", code=step.command, prose=said, pictures=pictures,
            links=[name for name in step.files if name.endswith(".html")],
        )  # fmt: skip
        sections.append(section)
    links = [(name, f"from {step.name}") for step in steps for name in step.files]
    care = [*(caution.text for caution in cautions()), sentences.NO_INTERLOCK, DEFER]
    sections.append(page.Section(heading="Take care", cautions=care))
    return page.page_html(
        page.Report(
            title="glowledger tour: a lamp, a leak and a cleaning run, all invented",
            answer=step_sentences(steps[-1])[0], sections=sections, command="glowledger tour",
            notice=style.INVENTED, links=links,
        )
    )  # fmt: skip


def _number(value: Any) -> Any:
    if value is None:
        return math.nan
    return tuple(_number(v) for v in value) if isinstance(value, list) else value


def _list(value: object) -> list[Any]:
    return value if isinstance(value, list) else []
