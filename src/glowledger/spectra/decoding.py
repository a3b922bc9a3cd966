"""From bytes to lines: encodings, line ends, and files that are no text at all."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from glowledger.errors import NoNumbers, ReadError

# first bytes of common non-text files (registered media types and the formats' own documents)
_MAGIC = (
    (b"\x89PNG", "a PNG image"),
    (b"\xff\xd8\xff", "a JPEG image"),
    (b"GIF8", "a GIF image"),
    (b"BM", "a bitmap image"),
    (b"II*\x00", "a TIFF image"),
    (b"MM\x00*", "a TIFF image"),
    (b"RIFF", "a sound, video or WebP file"),
    (b"%PDF", "a PDF document"),
    (b"PK\x03\x04", "a zip archive or a spreadsheet workbook"),
    (b"\xd0\xcf\x11\xe0", "an old spreadsheet workbook"),
    (b"\x1f\x8b", "a gzip archive"),
    (b"\x89HDF", "an HDF5 file"),
    (b"SQLite format 3", "an SQLite database"),
    (b"\x7fELF", "a program"),
)
_EXPORT = "Export the spectrum as CSV or plain text (wavelength or pixel, counts)."
_CONTROL = bytes(c for c in range(32) if c not in b"\t\n\r\f\x1a\x1b")


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceText:
    """The text of one file.

    Attributes
    ----------
    path : Path
        The file.
    raw : bytes
        The file without byte-order mark, lines ended by line feeds; UTF-16 is turned into UTF-8.
    codec : {'utf-8', 'latin-1'}
        How `raw` is read.
    encoding : str
        How the file was written, in words.
    """

    path: Path
    raw: bytes
    codec: str
    encoding: str

    def text(self, start: int = 0) -> str:
        """Return the text from a byte on."""
        return (self.raw[start:] if start else self.raw).decode(self.codec)

    def head(self, lines: int) -> tuple[list[str], int]:
        """Return the first lines without their ends, and the byte behind them."""
        end = self.offset(lines)
        found = self.raw[:end].decode(self.codec).split("\n")
        return found[:lines], end

    def offset(self, line: int) -> int:
        """Return the byte at which a line starts, counted from 0; the length of the file if it has fewer."""
        start = 0
        for _ in range(line):
            start = self.raw.find(b"\n", start) + 1
            if not start:
                return len(self.raw)
        return start


def load_bytes(path: Path) -> bytes:
    """Read a whole file.

    Raises
    ------
    ReadError
        If it is missing, not readable, a directory or empty.
    """
    try:
        with open(path, "rb") as stream:
            raw = stream.read()
    except FileNotFoundError:
        raise ReadError("there is no such file or folder.", mend="Check the path.", file=path) from None
    except IsADirectoryError:
        raise ReadError("this is a folder, a file was expected.", file=path) from None
    except PermissionError:
        raise ReadError(
            "the file may not be read (permission denied).", mend="Change its permissions.", file=path
        ) from None
    except (OSError, ValueError) as error:
        raise ReadError(
            f"the file cannot be read ({error}).", mend="Check disk and path.", file=path
        ) from None
    if not raw.strip(b"\x00 \t\r\n\xef\xbb\xbf\xff\xfe"):
        raise NoNumbers("the file is empty.", mend="Export the spectrum again.", file=path)
    return raw


def load(path: Path) -> SourceText:
    """Read and decode a whole text file; see `decode`."""
    return decode(load_bytes(path), path)


def decode(raw: bytes, path: Path) -> SourceText:
    """Turn the bytes of a file into text.

    Parameters
    ----------
    raw : bytes
        The file.
    path : Path
        Named in messages.

    Returns
    -------
    SourceText

    Raises
    ------
    ReadError
        If the bytes are no text, or a web page.
    """
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        source = _from_utf16(raw, "utf-16", "UTF-16", path)
    elif raw.startswith(b"\xef\xbb\xbf"):
        source = _from_utf8(raw[3:], "UTF-8 with byte-order mark", path)
    else:
        source = _unmarked(raw, path)
    _refuse_markup(source.head(40)[0], path)
    return source


def _unmarked(raw: bytes, path: Path) -> SourceText:
    for magic, what in _MAGIC:
        if raw.startswith(magic) and not (
            magic == b"BM" and raw[:200].isascii() and b"\x00" not in raw[:200]
        ):
            raise ReadError(f"expected text, found {what}.", mend=_EXPORT, file=path)
    head = raw[:4096]
    if b"\x00" in head:
        half = len(head) // 2
        even, odd = head[0::2].count(0), head[1::2].count(0)
        if odd > 0.8 * half and even == 0:
            return _from_utf16(raw, "utf-16-le", "UTF-16 (little-endian, unmarked)", path)
        if even > 0.8 * half and odd == 0:
            return _from_utf16(raw, "utf-16-be", "UTF-16 (big-endian, unmarked)", path)
    if head.translate(None, _CONTROL) != head or b"\x00" in raw:
        raise ReadError("expected text, found binary data.", mend=_EXPORT, file=path)
    return _from_utf8(raw, "UTF-8", path)


def _from_utf8(raw: bytes, encoding: str, path: Path) -> SourceText:
    codec = "utf-8"
    if not raw.isascii():
        try:
            raw.decode("utf-8")
        except UnicodeDecodeError:
            # every byte has a meaning in it; only names and units can come out wrong, never numbers
            codec, encoding = "latin-1", "Latin-1"
    return SourceText(path=path, raw=_line_feeds(raw), codec=codec, encoding=encoding)


def _from_utf16(raw: bytes, codec: str, encoding: str, path: Path) -> SourceText:
    if len(raw) % 2:
        raw = raw[:-1]  # a character still being written
    try:
        text = raw.decode(codec)
    except UnicodeDecodeError as error:
        raise ReadError(
            f"the bytes are not {encoding} although the file starts as such.",
            mend="Save the file again as UTF-8.",
            file=path,
            line=raw[: error.start].count(b"\n") + 1,
        ) from None
    return SourceText(path=path, raw=_line_feeds(text.encode("utf-8")), codec="utf-8", encoding=encoding)


def _line_feeds(raw: bytes) -> bytes:
    return raw.replace(b"\r\n", b"\n").replace(b"\r", b"\n") if b"\r" in raw else raw


def _refuse_markup(lines: list[str], path: Path) -> None:
    start = "\n".join(lines)[:2000].lstrip().lower()
    if start.startswith("<") and any(
        tag in start for tag in ("<html", "<!doctype", "<head", "<body", "<table")
    ):
        raise ReadError(
            "expected numbers, found a web page (HTML) saved under this name.",
            mend="Download the data itself, not the page that shows it.",
            file=path,
            line=1,
        )
    if start.startswith(("<?xml", "<svg")):
        raise ReadError("expected numbers, found an XML document.", mend=_EXPORT, file=path, line=1)
    if start.startswith("{\\rtf"):
        raise ReadError(
            "expected plain text, found a word-processor document.", mend=_EXPORT, file=path, line=1
        )
