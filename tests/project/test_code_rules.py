"""Rules of the house that a reader relies on: documented, typed, small, in its place."""

import ast
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PACKAGE = ROOT / "src" / "glowledger"
FILES = sorted(PACKAGE.rglob("*.py"))
TOP = {".ci", ".gitignore", "DEVELOPERS.md", "README.md", "line_tables", "pyproject.toml", "sample_spectra"}
TOP |= {"src", "tests"}
LONGEST_MODULE, LONGEST_FUNCTION = 400, 50  # lines; a function's docstring is not counted
VAGUE = {"utils", "util", "helpers", "helper", "common", "core", "manager", "misc", "base"}


def functions(tree):
    """Yield every function that is not inside another one, with the name of its class."""
    for node in tree.body:
        if isinstance(node, ast.FunctionDef):
            yield "", node
        elif isinstance(node, ast.ClassDef):
            yield from ((node.name, inner) for inner in node.body if isinstance(inner, ast.FunctionDef))


def public(name):
    return not name.startswith("_")


@pytest.mark.parametrize("file", FILES, ids=lambda f: str(f.relative_to(PACKAGE)))
def test_what_is_public_is_documented_and_typed(file):
    tree = ast.parse(file.read_text(encoding="utf-8"))
    assert ast.get_docstring(tree), "the module says nothing of itself"
    for node in tree.body:
        if isinstance(node, ast.ClassDef) and public(node.name):
            assert ast.get_docstring(node), f"{file}:{node.lineno}: {node.name} has no docstring"
    for owner, function in functions(tree):
        place = f"{file}:{function.lineno}: {function.name}"
        if public(function.name) and public(owner):
            assert ast.get_docstring(function), f"{place} has no docstring"
        arguments = [*function.args.posonlyargs, *function.args.args, *function.args.kwonlyargs]
        bare = [a.arg for a in arguments if a.annotation is None and a.arg not in ("self", "cls")]
        assert not bare, f"{place}: no type for {', '.join(bare)}"
        assert function.returns is not None, f"{place}: no return type"


@pytest.mark.parametrize("file", FILES, ids=lambda f: str(f.relative_to(PACKAGE)))
def test_modules_and_functions_fit_on_their_pages(file):
    text = file.read_text(encoding="utf-8")
    assert file.stem not in VAGUE, "a name that says nothing"
    assert text.count("\n") <= LONGEST_MODULE, f"{file} has {text.count(chr(10))} lines: a sign to split it"
    for _, function in functions(ast.parse(text)):
        first = function.body[0]
        described = ast.get_docstring(function) is not None
        start = first.end_lineno if described else first.lineno - 1
        length = function.end_lineno - start
        assert length <= LONGEST_FUNCTION, f"{file}:{function.lineno}: {function.name} has {length} lines"


def tracked():
    """Return the files that git knows, relative to the top; skips where this is no checkout."""
    if not (ROOT / ".git").exists():
        pytest.skip("not a checkout")
    done = subprocess.run(["git", "-C", ROOT, "ls-files", "-z"], capture_output=True, text=True, check=True)
    return [name for name in done.stdout.split("\0") if name]


def test_the_top_level_holds_only_what_the_design_names():
    assert {name.split("/")[0] for name in tracked()} <= TOP


def test_no_file_names_the_folder_it_was_written_in():
    here = str(ROOT.parent).rstrip("/") + "/"
    if len(here) < 4:
        pytest.skip("the checkout lies at the top of the file system")
    for name in tracked():
        path = ROOT / name
        if path.suffix in (".py", ".md", ".toml", ".css", ".csv", ".json", "") and path.is_file():
            assert here not in path.read_text(encoding="utf-8", errors="replace"), name


def test_names_of_tests_are_unique_so_that_a_failure_names_one_file():
    names = [Path(name).name for name in tracked() if name.startswith("tests/") and "/test_" in name]
    assert len(names) == len(set(names))
