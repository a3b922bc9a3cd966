"""The reference of the Python interface, made from docstrings: ``python -m glowledger.guide.reference``."""

from __future__ import annotations

import inspect
import re
from collections.abc import Iterator
from pathlib import Path
from types import FunctionType

import glowledger
from glowledger.report.writing import write_text

FILE = Path(__file__).resolve().parent / "python.md"
INTRODUCTION = """# Python interface

Everything here is imported from `glowledger` itself and stays as it is within a major version; inner modules may
change. Nothing heavy is loaded until a name is used. Arrays are frames first, (n, p); numbers are plain floats in nm
(air), counts, seconds and kelvin, any other unit stands in the name. Every error is a `GlowledgerError` with
`problem`, `mend`, `file` and `line`. Worked examples: `glowledger guide worked`; specutils and packages of your own:
`glowledger guide extending`.

This page is made from the docstrings by `python -m glowledger.guide.reference`; a test compares.
"""
_LISTS = ("Parameters", "Returns", "Raises", "Attributes", "Other Parameters")
_SECTION = re.compile(r"^([A-Z][A-Za-z ]+)\n-{3,}\n", re.M)


def reference() -> str:
    """Return the reference of every name in `glowledger.INTERFACE`, in Markdown."""
    parts = [INTRODUCTION]
    for module, names in glowledger.INTERFACE.items():
        parts.append(f"## {module}\n")
        for name in names:
            parts.extend(_entry(name, getattr(glowledger, name)))
    return "\n".join(parts).rstrip() + "\n"


def _entry(name: str, thing: object) -> Iterator[str]:
    """Yield the paragraphs on a function or class, and those on the methods of a class."""
    yield f"### {name}\n"
    if isinstance(thing, FunctionType):
        yield f"```python\n{_signature(name, thing)}\n```\n"
    yield _markdown(inspect.getdoc(thing) or "")
    if not isinstance(thing, type):
        return
    for inner, member in vars(thing).items():
        target = member.fget if isinstance(member, property) else member
        if isinstance(target, FunctionType) and not inner.startswith("_"):
            kind = inner if isinstance(member, property) else _signature(inner, target, one_line=True)
            first = (inspect.getdoc(target) or "").split("\n\n")[0].replace("\n", " ")
            yield f"- `{kind}`: {first}"
    yield ""


def _signature(name: str, function: FunctionType, *, one_line: bool = False) -> str:
    """Return how a function is called, one parameter a line if it is long; types stand in the list below it."""
    given = inspect.signature(function)
    plain = [p.replace(annotation=inspect.Parameter.empty) for p in given.parameters.values() if p.name != "self"]
    text = f"{name}{given.replace(parameters=plain, return_annotation=inspect.Signature.empty)}"
    if one_line or len(text) <= 100:
        return text
    inside = ",\n".join(f"    {part}" for part in text[len(name) + 1 : -1].split(", "))
    return f"{name}(\n{inside},\n)"


def _markdown(docstring: str) -> str:
    """Return a numpydoc docstring as Markdown: headings in bold, parameters as a list."""
    pieces = _SECTION.split(docstring)
    parts = [_inline(pieces[0]).strip() + "\n"]
    for heading, body in zip(pieces[1::2], pieces[2::2], strict=True):
        parts.append(f"**{heading}**\n")
        parts.append(_listed(body) if heading in _LISTS else _inline(body).strip() + "\n")
    return "\n".join(parts)


def _listed(body: str) -> str:
    """Return ``name : type`` with indented text below as list items."""
    items: list[list[str]] = []
    for line in body.strip("\n").splitlines():
        if line and not line.startswith(" "):
            items.append([line])
        elif line.strip() and items:
            items[-1].append(line.strip())
    lines = []
    for head, *rest in items:
        name, colon, kind = head.partition(" : ")
        said = _inline(" ".join(rest))
        lines.append(f"- `{name}`" + (f" ({_inline(kind)})" if colon else "") + (f": {said}" if said else ""))
    return "\n".join(lines) + "\n"


def _inline(text: str) -> str:
    """Return text with double backticks as Markdown has them."""
    return text.replace("``", "`")


def write() -> Path:
    """Write the page beside the other guides and return its path."""
    return write_text(FILE, reference())


if __name__ == "__main__":
    write()
