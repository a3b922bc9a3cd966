"""Settings in preambles: exposure, averages, start time, and times written in names."""

from __future__ import annotations

import re
from datetime import UTC, datetime

from glowledger.spectra.column_names import says_vacuum
from glowledger.spectra.options import SECONDS, ReadingOptions

# settings by which our own files carry what is known of the detector -> field of frames.Detector
DETECTOR_SETTINGS = {
    "ceiling counts": "ceiling_counts",
    "counts per electron": "counts_per_electron",
    "read noise counts": "read_noise_counts",
    "offset counts": "offset_counts",
}

_NUMBER = r"[-+]?\d+(?:[.,]\d+)?(?:[eE][-+]?\d+)?"
_DURATION = re.compile(
    rf"({_NUMBER})\s*(milliseconds?|microseconds?|seconds?|minutes?|hours?|msec|usec|sec|ms|us|µs|μs|min|s|h)?\b",
    re.I,
)
_EXPOSURE_KEY = re.compile(
    r"integration|exposure|int\.?\s*time|t[_ "
    r"]?int\b|belichtung|integrationszeit|exposition|exposici|esposizione|"
    r"int[ée]gration|integraci",
    re.I,
)
_AVERAGE_KEY = re.compile(
    r"averag|scans?\s*to\s*average|co-?adds?|mittelung|moyenn|promedi|media\b|n_?scans?\b", re.I
)
_TIME_KEY = re.compile(
    r"\b(date|time|datetime|timestamp|datum|zeit|uhrzeit|fecha|hora|data|ora|heure|acquired|recorded|start|started|beginn|début|inicio|inizio)\b",
    re.I,
)
_ISO = re.compile(
    r"(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})[T "
    r"_]+(\d{1,2})[:.h-](\d{2})(?:[:.m-](\d{2})(?:[.,](\d+))?)?\s*(Z|[+-]\d{2}:?\d{2})?"
)
_COMPACT = re.compile(r"(?<!\d)(\d{4})(\d{2})(\d{2})[T_-]?(\d{2})(\d{2})(\d{2})(?:[._](\d{1,6}))?(?!\d)")
_DAY_FIRST = re.compile(r"(\d{1,2})\.(\d{1,2})\.(\d{4})[T ,_]+(\d{1,2}):(\d{2})(?::(\d{2})(?:[.,](\d+))?)?")
_DAY = re.compile(r"\d{4}-\d{2}-\d{2}|\d{1,2}\.\d{1,2}\.\d{4}")
_CLOCK = re.compile(r"(?<![\d:])(\d{1,2}):(\d{2}):(\d{2})(?:[.,](\d+))?(?![\d:])")


def unit_seconds(word: str | None) -> float | None:
    """Return the length in seconds of a unit of time, or None if it is not one."""
    if not word:
        return None
    word = word.lower().replace("µ", "u").replace("μ", "u")
    for prefix, unit in (
        ("milli", "ms"),
        ("micro", "us"),
        ("msec", "ms"),
        ("usec", "us"),
        ("sec", "s"),
        ("min", "min"),
        ("hour", "h"),
    ):
        if word.startswith(prefix):
            return SECONDS[unit]
    return SECONDS.get(word)


def exposure_of(metadata: tuple[tuple[str, str], ...]) -> tuple[float, str] | None:
    """Find the exposure in a preamble.

    Returns
    -------
    (float, str) or None
        Seconds, and the setting as written; NaN seconds if it is there without a unit; None if it is not
        there.
    """
    for key, value in metadata:
        if not _EXPOSURE_KEY.search(key):
            continue
        found = _DURATION.match(value.strip())
        if not found:
            continue
        seconds = unit_seconds(found.group(2)) or unit_seconds(_unit_in_key(key))
        number = float(found.group(1).replace(",", "."))
        return (number * seconds if seconds else float("nan")), f"{key}: {value}"
    return None


def _unit_in_key(key: str) -> str | None:
    found = re.search(
        r"[\[(_ /](milliseconds?|microseconds?|seconds?|msec|usec|sec|ms|us|µs|μs|s|min)[\])]?\s*$", key, re.I
    )
    return found.group(1) if found else None


def averages_of(metadata: tuple[tuple[str, str], ...]) -> tuple[float, str] | None:
    """Find the number of averaged scans in a preamble, with the setting as written; None if not there."""
    for key, value in metadata:
        if _AVERAGE_KEY.search(key) and not _EXPOSURE_KEY.search(key):
            found = re.match(r"\s*(\d+)\b", value)
            if found and int(found.group(1)) >= 1:
                return float(found.group(1)), f"{key}: {value}"
    return None


def settings_of(
    metadata: tuple[tuple[str, str], ...], options: ReadingOptions
) -> tuple[float, float, tuple[str, ...]]:
    """Return exposure in s (NaN where unknown) and averages (1 where unknown) of a preamble, and sentences on
    them.
    """
    sentences = []
    exposure = float("nan")
    found = exposure_of(metadata)
    if options.exposure_s is not None:
        exposure = options.exposure_s
        sentences.append(f"Exposure {exposure:g} s, as you said.")
    elif found and found[0] > 0:
        exposure = found[0]
        sentences.append(f"Exposure {exposure:g} s ('{found[1]}').")
    elif found:
        sentences.append(
            f"The exposure ('{found[1]}') names no unit and was not used; state it:  --exposure SECONDS"
        )
    averages = averages_of(metadata)
    if averages:
        many = f"the mean of {averages[0]:g} scans" if averages[0] != 1 else "a single scan"
        sentences.append(f"Each frame is {many} ('{averages[1]}').")
    return exposure, averages[0] if averages else 1.0, tuple(sentences)


_MONTHS = {
    name: i + 1
    for i, names in enumerate(
        [
            "jan/januar/janvier/ene",
            "feb/februar/fev",
            "mar/mrz/märz/mars",
            "apr/april/avr",
            "may/mai/mayo",
            "jun/juni/juin",
            "jul/juli/juil",
            "aug/august/ago",
            "sep/sept/set",
            "oct/okt/out",
            "nov/november",
            "dec/dez/dic",
        ]
    )
    for name in names.split("/")
}
_NAMED_MONTH = re.compile(
    r"(?:(?P<m1>[A-Za-zä]{3,9})\.?\s+(?P<d1>\d{1,2})|(?P<d2>\d{1,2})[.\s-]+(?P<m2>[A-Za-zä]{3,9})\.?)[,\s-]+"
    r"(?:(?P<y1>\d{4})[,\s]+)?(?P<h>\d{1,2}):(?P<min>\d{2})(?::(?P<s>\d{2})(?:[.,](?P<f>\d+))?)?"
    r"(?:\s+[A-Z]{2,5})?(?:\s+(?P<y2>\d{4}))?"
)


def _named_month(text: str) -> datetime | None:
    """Return a date with the month as a word: ``Mon Jan 05 12:00:01 2026``, ``5 January 2026 12:00:01``."""
    found = _NAMED_MONTH.search(text)
    if not found:
        return None
    part = found.groupdict()
    word = (part["m1"] or part["m2"]).lower()
    month = _MONTHS.get(word) or _MONTHS.get(word[:3])
    year = part["y1"] or part["y2"]
    if month is None or year is None:
        return None
    micro = int(((part["f"] or "") + "000000")[:6])
    try:
        return datetime(
            int(year),
            month,
            int(part["d1"] or part["d2"]),
            int(part["h"]),
            int(part["min"]),
            int(part["s"] or 0),
            micro,
        )
    except ValueError:
        return None


def moment_of(text: str) -> datetime | None:
    """Return the date and time written in a text (ISO 8601, compact, day.month.year, or with the month as a
    word), or None.
    """
    found = _ISO.search(text) or _COMPACT.search(text)
    order = (0, 1, 2)
    if not found:
        found, order = _DAY_FIRST.search(text), (2, 1, 0)
    if not found:
        return _named_month(text)
    parts = found.groups()
    zone = parts[7] if len(parts) > 7 else None
    numbers = [int(parts[i]) for i in order] + [int(parts[3]), int(parts[4]), int(parts[5] or 0)]
    year, month, day, hour, minute, second = numbers
    try:
        moment = datetime(year, month, day, hour, minute, second, int(((parts[6] or "") + "000000")[:6]))
    except ValueError:
        return None
    if zone:
        offset = "+00:00" if zone == "Z" else zone
        try:
            moment = (
                datetime.fromisoformat(f"{moment.isoformat()}{offset}").astimezone(UTC).replace(tzinfo=None)
            )
        except (ValueError, OverflowError):
            return None
    return moment


def moment_in(metadata: tuple[tuple[str, str], ...]) -> tuple[datetime, str] | None:
    """Find the date and time of a preamble, with the setting as written."""
    day = None
    for key, value in metadata:
        if not _TIME_KEY.search(key) or _EXPOSURE_KEY.search(key):
            continue
        moment = moment_of(value)
        if moment:
            return moment, f"{key}: {value}"
        day = _DAY.search(value) or day
        clock = _CLOCK.search(value)
        if day and clock:
            moment = moment_of(f"{day.group(0)} {clock.group(0)}")
            if moment:
                return moment, f"{key}: {value}"
    return None


_CLOCK_LABEL = re.compile(r"(?:[^\d]*[\s_=])?(\d{1,3}):(\d{2}):(\d{2}(?:[.,]\d+)?)")


def clock_of(label: str) -> float | None:
    """Return the time of day (or elapsed hours, minutes, seconds) that a label is, in seconds, or None."""
    found = _CLOCK_LABEL.fullmatch(label.strip().strip('"'))
    if not found:
        return None
    hours, minutes, seconds = found.groups()
    return int(hours) * 3600 + int(minutes) * 60 + float(seconds.replace(",", "."))


def seconds_of(label: str, unit_seconds_default: float | None = None) -> tuple[float, bool] | None:
    """Return the time a column name or cell gives.

    Parameters
    ----------
    label : str
        Such as ``t=12.5 s``, ``12.5``, ``counts_12.5s``.
    unit_seconds_default : float, optional
        Length of the unit where the label names none.

    Returns
    -------
    (float, bool) or None
        Seconds and whether the label itself named the unit; None where it gives no time.
    """
    text = label.strip().strip('"')
    found = re.fullmatch(
        rf"(?:.*?(?:^|[\s_=:(@]))?(?:t\s*=?\s*)?({_NUMBER})\s*\[?([a-zµμ]+)?\]?\)?", text, re.I
    )
    if not found:
        return None
    number = float(found.group(1).replace(",", "."))
    if found.group(2):
        scale = unit_seconds(found.group(2))
        return None if scale is None else (number * scale, True)
    names_time = re.search(r"(^|[\s_(])(t|time|zeit|temps|tiempo|tempo)\s*[=_: ]", text, re.I)
    if found.group(0) != found.group(1) and not names_time and not re.fullmatch(_NUMBER, text):
        return None  # frame_001 is a number of a frame, not a time
    return number * (unit_seconds_default or 1.0), False


_ELAPSED_KEY = re.compile(
    r"(?:.*\b)?(t|time|elapsed(?:\s*time)?|run\s*time|zeit|laufzeit|temps|tiempo|tempo)\s*(?:[\[(](\w+)[\])])?\Z",
    re.I,
)


def elapsed_of(metadata: tuple[tuple[str, str], ...]) -> tuple[float, str] | None:
    """Find the time of a frame in its run in a preamble, in seconds, with the setting as written."""
    for key, value in metadata:
        named = _ELAPSED_KEY.match(key)
        if not named or ":" in value or _EXPOSURE_KEY.search(key):
            continue
        found = re.fullmatch(rf"\s*({_NUMBER})\s*([a-zµμ]+)?\s*", value, re.I)
        unit = unit_seconds((found.group(2) or named.group(2)) if found else None)
        if found and unit:
            return float(found.group(1).replace(",", ".")) * unit, f"{key}: {value}"
    return None


def detector_of(metadata: tuple[tuple[str, str], ...]) -> dict[str, float]:
    """Return what a preamble states of the detector, as fields of `frames.Detector`."""
    found = {}
    for key, value in metadata:
        name = DETECTOR_SETTINGS.get(key.lower().strip())
        number = re.match(rf"\s*({_NUMBER})\s*(?:counts)?\s*\Z", value)
        if name and number:
            found[name] = float(number.group(1).replace(",", "."))
    return found


def states_vacuum(metadata: tuple[tuple[str, str], ...]) -> bool:
    """Return True if a preamble states that wavelengths are in vacuum; a vacuum chamber is another matter."""
    return any(
        re.search(r"wavelength|wellenl|medium", key, re.I) and says_vacuum(value) for key, value in metadata
    )
