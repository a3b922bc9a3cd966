"""The command ``guide``."""

from __future__ import annotations

from pathlib import Path

import click

from glowledger.cli.completing import topics


@click.command()
@click.argument("topic", required=False, shell_complete=topics)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document instead of text.")
@click.option("-o", "--output", type=click.Path(path_type=Path), help="File to write instead of printing.")
def command(topic: str | None, as_json: bool, output: Path | None) -> None:
    """Read a guide; without TOPIC, list them.

    Topics are files in Markdown; the same text is readable in the project's folder src/glowledger/guide.

    \b
    Examples:
      glowledger guide
      glowledger guide first-evening
      glowledger guide formats --json
    """
    from glowledger.guide.reading import find_topic, topics
    from glowledger.report import documents
    from glowledger.report.writing import write_text

    listed = [{"topic": one.name, "title": one.title} for one in topics()]
    if topic is None:
        document: dict[str, object] = {"topics": listed}
        lines = [f"{one['topic']:22s} {one['title']}" for one in listed]
        text = "\n".join([*lines, "", "Read one: glowledger guide TOPIC"])
    else:
        found = find_topic(topic)
        document = {"topic": found.name, "title": found.title, "text": found.text()}
        text = found.text().rstrip("\n")
    if as_json:
        text = documents.dumps({"schema": "glowledger/guide/1", **document})
    if output is not None:
        write_text(output, text + "\n")
    elif as_json or topic is None:
        click.echo(text)
    else:
        say = click.echo_via_pager if _long(text) else click.echo
        say(text)


def _long(text: str) -> bool:
    """Return True if a text on a terminal does not fit on its page."""
    import shutil
    import sys

    return sys.stdout.isatty() and text.count("\n") > shutil.get_terminal_size().lines - 2
