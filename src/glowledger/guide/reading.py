"""Find the guides: Markdown files beside this module, shipped with the package and readable on a code host."""

from __future__ import annotations

from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path

from glowledger.errors import ReadError

FOLDER = Path(__file__).resolve().parent
# what to read first; the rest follows by name
ORDER = ("first-evening", "safety", "choosing", "reading-answers", "worked", "python", "formats", "extending")


@dataclass(frozen=True, slots=True, kw_only=True)
class Topic:
    """One guide.

    Attributes
    ----------
    name : str
        As asked for: the name of its file without ending.
    title : str
        Its heading.
    file : Path
        Where it lies.
    """

    name: str
    title: str
    file: Path

    def text(self) -> str:
        """Return the guide as it is written, in Markdown."""
        return self.file.read_text(encoding="utf-8")


def topics() -> tuple[Topic, ...]:
    """Return all guides, those for beginners first.

    Raises
    ------
    ReadError
        If none is there.
    """
    files = sorted(FOLDER.glob("*.md"), key=lambda f: (ORDER.index(f.stem) if f.stem in ORDER else len(ORDER), f.stem))
    if not files:
        raise ReadError("the guides are missing.", mend="Install glowledger again.", file=FOLDER)
    return tuple(Topic(name=file.stem, title=_title(file), file=file) for file in files)


def _title(file: Path) -> str:
    with open(file, encoding="utf-8") as stream:
        return stream.readline().lstrip("# ").strip()


def find_topic(name: str) -> Topic:
    """Return a guide by its name or how that begins, in any case.

    Raises
    ------
    ReadError
        If there is none, or several begin so; all are named.
    """
    known = topics()
    wanted = name.strip().casefold().removesuffix(".md").replace(" ", "-")
    found = [one for one in known if one.name == wanted] or [one for one in known if one.name.startswith(wanted)]
    if len(found) == 1:
        return found[0]
    names = [one.name for one in known]
    near = [one.name for one in found] or get_close_matches(wanted, names, n=3, cutoff=0.4) or names
    raise ReadError(f"there is no guide '{name}'.", mend=f"There are {', '.join(near)}.")
