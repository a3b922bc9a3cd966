"""The direction of imports, and what may be imported where."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[2] / "src" / "glowledger"
ORDER = [
    "errors", "progress", "threads", "rounding", "tables", "spectra", "bench", "glow", "runs", "diagnose", "ledger",
    "report", "live", "guide", "cli",
]  # fmt: skip
OUTSIDE = {"numpy", "scipy", "astropy", "specutils", "matplotlib", "click"}  # what pyproject.toml declares
OUTSIDE |= {"bokeh", "tornado"}  # the live page
PAGE = ("live/drawing.py", "live/serving.py")
OUTSIDE |= {"PIL"}  # Pillow, which matplotlib requires: reads photographs
HEAVY = ("numpy", "scipy", "astropy", "specutils", "matplotlib", "bokeh", "tornado")
OUTSIDE |= {"reportlab", "pypdf"}  # print documents
OUTSIDE |= {"threadpoolctl"}  # threads.py
FILES = sorted(PACKAGE.rglob("*.py"))


def imported(file):
    """Yield the line and the dotted name of everything a file imports, within functions too."""
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{file}:{node.lineno}: relative import"
            yield from ((node.lineno, f"{node.module}.{alias.name}") for alias in node.names)
        elif isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name) for alias in node.names)


def room(file):
    """Return the package of ours that a file belongs to, or None for those at the top."""
    first = file.relative_to(PACKAGE).parts[0].removesuffix(".py")
    return first if first in ORDER else None


@pytest.mark.parametrize("file", FILES, ids=lambda f: str(f.relative_to(PACKAGE)))
def test_imports_point_one_way(file):
    mine = room(file)
    assert mine or file.name in ("__init__.py", "__main__.py"), "a package that has no place in the order"
    for line, name in imported(file):
        parts = name.split(".")
        if mine and parts[0] == "glowledger" and len(parts) > 1 and parts[1] in ORDER:
            assert ORDER.index(parts[1]) <= ORDER.index(mine), f"{file}:{line}: {mine} imports {parts[1]}"
        if parts[0] in ("matplotlib", "reportlab", "pypdf"):
            assert mine == "report", f"{file}:{line}: drawing belongs in report"
        if parts[0] in ("bokeh", "tornado"):
            assert str(file.relative_to(PACKAGE)) in PAGE, f"{file}:{line}: the live page is served and drawn there"
        allowed = parts[0] in OUTSIDE | {"glowledger", "__future__"} or parts[0] in sys.stdlib_module_names
        assert allowed, f"{file}:{line}: {parts[0]} is not a declared dependency"


@pytest.mark.parametrize("file", [f for f in FILES if room(f) not in (None, "cli")], ids=lambda f: f.stem)
def test_only_the_command_line_prints(file):
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        called = node.func.id if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) else ""
        assert called not in ("print", "input", "breakpoint"), f"{file}:{node.lineno}: {called}"


@pytest.mark.parametrize("arguments", [["--help"], ["--version"], []])
def test_help_loads_nothing_heavy(arguments):
    program = (
        "import sys\nfrom glowledger.cli import main\n"
        "try:\n    main(sys.argv[1:])\nexcept SystemExit:\n    pass\n"
        f"print('loaded', sorted(set(sys.modules) & set({HEAVY!r})), file=sys.stderr)"
    )
    words = [sys.executable, "-c", program, *arguments]
    done = subprocess.run(words, capture_output=True, text=True, check=True)
    assert done.stderr.strip().splitlines()[-1] == "loaded []"
