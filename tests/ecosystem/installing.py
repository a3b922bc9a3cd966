"""An installed package that adds a reader and a species, as pip would leave it: found by its metadata alone."""

import os
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

EXAMPLE = Path(__file__).parent / "example_package"


def install(place, *, entry_points=None, name=None):
    """Put the example package into a folder with the metadata that its pyproject.toml asks for."""
    project = tomllib.loads((EXAMPLE / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    name = name or project["name"]
    if not (place / "glowledger_example").exists():
        shutil.copytree(EXAMPLE / "glowledger_example", place / "glowledger_example")
    info = place / f"{name.replace('-', '_')}-{project['version']}.dist-info"
    info.mkdir()
    head = f"Metadata-Version: 2.1\nName: {name}\nVersion: {project['version']}\n"
    (info / "METADATA").write_text(head, encoding="utf-8")
    groups = project["entry-points"] if entry_points is None else entry_points
    lines = []
    for group, points in groups.items():
        lines += [f"[{group}]", *(f"{key} = {value}" for key, value in points.items())]
    (info / "entry_points.txt").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return place


def run(place, *words, code=None):
    """Run the command line, or a piece of Python, with a folder of installed packages in front."""
    path = os.pathsep.join([str(place), *([os.environ["PYTHONPATH"]] if "PYTHONPATH" in os.environ else [])])
    program = ["-c", code] if code else ["-m", "glowledger", *map(str, words)]
    return subprocess.run(
        [sys.executable, "-W", "error", *program], cwd=place, env={**os.environ, "PYTHONPATH": path},
        capture_output=True, text=True, stdin=subprocess.DEVNULL,
    )  # fmt: skip
