"""Words by which files name their columns and settings, in several languages."""

from __future__ import annotations

import re
import unicodedata
from functools import lru_cache

# common practice, no source: words met in exports of spectrometers, loggers and spreadsheets
_WORDS = {
    "wavelength": (
        "wavelength wavelengths wave wl lambda λ wellenlange wellenlaenge longueur longueurdonde longitud "
        "longituddeonda lunghezza lunghezzadonda comprimento comprimentodeonda golflengte vaglangd vaglengde "
        "bolgelaengde dlugoscfali długośćfali длинаволны 波长 波長"
    ),
    "wavenumber": "wavenumber wavenumbers wellenzahl nombredonde numerodeonda numerodonda волновоечисло 波数",
    "energy": "energy photonenergy energie photonenergie energia energiafotonu энергия",
    "pixel": "pixel pixels px pixelnumber pixelindex pixelnr channel kanal canal canale пиксель 像素 画素",
    "counts": (
        "counts count intensity intensities int signal adu dn intensitat intensitaet zahlwert "
        "zahlwerte intensite intensidad intensita intensidade intensiteit intensitet sygnal natezenie "
        "sample scope spectrum spectre spektrum raw rohdaten y value интенсивность 强度 強度"
    ),
    "dark": "dark darkcounts background darkspectrum dunkel dunkelspektrum dunkelwert dunkelstrom "
    "noir obscurite oscuro fondo buio escuro donker mork темновой 暗",
    "reference": "reference ref referencespectrum white referenz referenzspektrum weiss referencia "
    "riferimento referentie blanc blanco опорный 参考",
    "time": "time times t elapsed elapsedtime timestamp seconds zeit zeitstempel temps tiempo tempo "
    "tijd tid czas date datetime datum uhrzeit время 时间 時間",
    "frame": "frame frames scan scans index no nr number spectrumno record rec bild aufnahme image",
    "corrected": "corrected subtracted net korrigiert korrigierte corrige corregido corretto gecorrigeerd skorygowany",
    "smoothed": "smoothed filtered geglattet geglaettet gefiltert lisse filtre suavizado filtrado filtrato",
    "processed": "transmission transmittance absorbance reflectance absorption extinktion",
}
_CHANNELS = {
    "red": "r red rot rouge rojo rosso vermelho rood rod röd красный 红 赤",
    "green": "g green grun gruen vert verde groen gron grön зелёный зеленый 绿 緑",
    "blue": "b blue blau bleu azul blu blauw bla blå синий 蓝 青",
}
_ROLE = {word: role for role, words in _WORDS.items() for word in words.split()}

AXIS_ROLES = ("wavelength", "wavenumber", "energy", "pixel")  # the first of them is the axis where there are several

_SPELLINGS = {  # our spelling of a unit: how files spell it
    "nm": "nm nanometer nanometers nanometre nanometres",
    "angstrom": "å a angstrom angstroms ångström aa ang",
    "um": "µm μm um micron microns micrometer micrometre",
    "cm-1": "cm-1 1/cm cm^-1 cm⁻¹ cm^(-1) cm**-1 /cm",
    "eV": "ev",
    "pixel": "px pixel pixels pix",
    "counts": "counts count a.u. a.u au arb arb. arb.units adu dn cts",
    "s": "s sec second seconds sek",
    "ms": "ms msec",
    "us": "us µs μs usec",
    "min": "min minutes",
    "h": "h hours",
}
_LENGTHS = {*_SPELLINGS["nm"].split(), "å", "angstrom", "angstroms", "ångström", "micrometer", "micrometre"}
_UNIT = {spelling: unit for unit, spellings in _SPELLINGS.items() for spelling in spellings.split()}
_IN_BRACKETS = re.compile(r"[\[(]([^\[\]()]*(?:\(-1\))?[^\[\]()]*)[\])]")


def unit_of(name: str) -> str | None:
    """Return the unit a column name carries (in brackets, after '/', '_' or ' in '), in our spelling, or
    None.
    """
    text = name.strip().lower()
    for found in reversed(_IN_BRACKETS.findall(text)):
        for part in re.split(r"[,;]", found):
            unit = _plain_unit(part)
            if unit:
                return unit
    for separator in (" in ", "/", "_", " ", "-"):
        if separator in text:
            unit = _plain_unit(text.split(separator, 1)[1])
            if unit is None:
                unit = _plain_unit(text.rsplit(separator, 1)[1])
            if unit and not (separator in "_ -" and unit == "angstrom" and text.endswith("a")):
                return unit
    unit = _plain_unit(text)
    return None if text in ("a", "h", "s") else unit


def _plain_unit(text: str) -> str | None:
    text = text.strip().strip(".").strip()
    words = [
        word for word in re.split(r"[\s,]+", text) if word not in ("vac", "vacuum", "air", "vakuum", "luft")
    ]
    text = " ".join(words)
    return _UNIT.get(text) or _UNIT.get(text.replace(" ", ""))


def is_unit(token: str) -> bool:
    """Return True if the whole token is a unit, with or without brackets."""
    return _plain_unit(token.strip().strip("[]()").lower()) is not None


def says_vacuum(text: str) -> bool:
    """Return True if a name states that wavelengths are in vacuum."""
    return bool(re.search(r"\b(vac|vacuum|vakuum|vide|vac[íi]o|vuoto)\b", text.lower().replace("_", " ")))


_DIGITS = str.maketrans("", "", "0123456789")


def role_of(name: str) -> str | None:
    """Return what a column holds, by its name.

    Parameters
    ----------
    name : str
        As written in the file.

    Returns
    -------
    str or None
        'wavelength', 'wavenumber', 'energy', 'pixel', 'counts', 'corrected' (a dark was taken off), 'smoothed',
        'dark', 'reference', 'time', 'frame', 'processed'; None where the name says nothing.
    """
    if not name:
        return None
    bare = name.translate(_DIGITS)
    if len(bare) == len(name) and name.strip().strip("[]()").lower() in _LENGTHS:  # '404.66 nm' is one point
        return "wavelength"
    role = _role_of(bare)
    # 't=12.5 s' and 'frame_007' label one frame; they name no column of times or numbers
    return None if role in ("time", "frame") and len(bare) < len(name) else role


@lru_cache(maxsize=4096)
def _role_of(name: str) -> str | None:
    bare = _IN_BRACKETS.sub(" ", name)
    words = [_fold(word) for word in re.split(r"[\s_/.:,-]+", bare)]
    words = [word for word in words if word]
    whole = "".join(words)
    if whole in _ROLE:
        return _ROLE[whole]
    roles = [_ROLE.get(word) for word in words]
    for role in (
        "corrected",
        "dark",
        "reference",
        "wavelength",
        "wavenumber",
        "energy",
        "pixel",
        "processed",
        "smoothed",
        "counts",
        "time",
    ):
        if role in roles and not (role == "corrected" and set(AXIS_ROLES) & set(roles)):  # 'corrected wavelength'
            return role
    return "frame" if "frame" in roles else None


def channel_of(name: str) -> str | None:
    """Return 'red', 'green' or 'blue' if a column is named as a colour channel of a camera, else None."""
    words = [_fold(word) for word in re.split(r"[\s_/.:,-]+", _IN_BRACKETS.sub(" ", name))]
    words = [word for word in words if word and word not in ("channel", "kanal", "canal", "canale")]
    return _CHANNEL.get(words[0]) if len(words) == 1 else None


def _fold(word: str) -> str:
    """Return the word in lower case without accents and apostrophes."""
    decomposed = unicodedata.normalize("NFKD", word.lower())
    return "".join(c for c in decomposed if not unicodedata.combining(c) and (c.isalnum()))


_CHANNEL = {_fold(word): channel for channel, words in _CHANNELS.items() for word in words.split()}
