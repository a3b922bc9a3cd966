"""From bytes to lines: encodings, line ends, and files that are no text at all."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from glowledger.errors import ReadError

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


@dataclass(frozen=True, slots=True)
class SourceText:
    """The text of one file.

    Attributes
    ----------
    path : Path
        The file.
    text : str
        Its text with line ends turned into ``\\n`` and no byte-order mark.
    encoding : str
        How the bytes were read.
    plain_ends : bool
        True if the bytes had no carriage returns, i.e. `text` is the file as it is.
    """

    path: Path
    text: str
    encoding: str
    plain_ends: bool


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
        raise ReadError(f"the file cannot be read ({error}).", mend="Check disk and path.", file=path) from None
    if not raw.strip(b"\x00 \t\r\n\xef\xbb\xbf\xff\xfe"):
        raise ReadError("the file is empty.", mend="Export the spectrum again.", file=path)
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
    text, encoding = _text(raw, path)
    _refuse_markup(text, path)
    plain_ends = "\r" not in text
    if not plain_ends:
        text = text.replace("\r\n", "\n").replace("\r", "\n")
    return SourceText(path, text, encoding, plain_ends)


def _text(raw: bytes, path: Path) -> tuple[str, str]:
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        return _strict(raw, "utf-16", path), "UTF-16"
    if raw.startswith(b"\xef\xbb\xbf"):
        return _strict(raw[3:], "utf-8", path), "UTF-8 with byte-order mark"
    for magic, what in _MAGIC:
        if raw.startswith(magic) and not (magic == b"BM" and raw[:200].isascii() and b"\x00" not in raw[:200]):
            raise ReadError(f"expected text, found {what}.", mend=_EXPORT, file=path)
    head = raw[:4096]
    if b"\x00" in head:
        return _unmarked_utf16(raw, head, path)
    if head.translate(None, _CONTROL) != head or b"\x00" in raw:
        raise ReadError("expected text, found binary data.", mend=_EXPORT, file=path)
    try:
        return raw.decode("utf-8"), "UTF-8"
    except UnicodeDecodeError:
        # every byte has a meaning here; only names and units can come out wrong, never numbers
        return raw.decode("latin-1"), "Latin-1"


def _unmarked_utf16(raw: bytes, head: bytes, path: Path) -> tuple[str, str]:
    even, odd = head[0::2].count(0), head[1::2].count(0)
    half = len(head) // 2
    if odd > 0.8 * half and even == 0:
        return _strict(raw, "utf-16-le", path), "UTF-16 (little-endian, unmarked)"
    if even > 0.8 * half and odd == 0:
        return _strict(raw, "utf-16-be", path), "UTF-16 (big-endian, unmarked)"
    raise ReadError("expected text, found binary data.", mend=_EXPORT, file=path)


def _strict(raw: bytes, codec: str, path: Path) -> str:
    if codec.startswith("utf-16") and len(raw) % 2:
        raw = raw[:-1]  # a character still being written
    try:
        return raw.decode(codec)
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise ReadError(
            f"the bytes are not {codec} although the file starts as such.",
            mend="Save the file again as UTF-8.",
            file=path,
            line=line,
        ) from None


def _refuse_markup(text: str, path: Path) -> None:
    start = text[:2000].lstrip().lower()
    if start.startswith("<") and any(tag in start for tag in ("<html", "<!doctype", "<head", "<body", "<table")):
        raise ReadError(
            "expected numbers, found a web page (HTML) saved under this name.",
            mend="Download the data itself, not the page that shows it.",
            file=path,
            line=1,
        )
    if start.startswith(("<?xml", "<svg")):
        raise ReadError("expected numbers, found an XML document.", mend=_EXPORT, file=path, line=1)
    if start.startswith("{\\rtf"):
        raise ReadError("expected plain text, found a word-processor document.", mend=_EXPORT, file=path, line=1)
