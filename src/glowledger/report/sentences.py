"""Answers in plain language: first what it means, then the numbers, then the cautions."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

import numpy as np

from glowledger.diagnose.run_estimates import flash_rate
from glowledger.diagnose.sightings import Finding
from glowledger.glow.no_light import NO_LIGHT
from glowledger.glow.results import Fit, SpeciesEvidence
from glowledger.report.numbers import clock, clock_interval, counted, percent, sigmas, two_digits
from glowledger.report.wrapping import filled as _filled
from glowledger.report.wrapping import listed as _listed
from glowledger.rounding import plus_minus
from glowledger.runs.results import Endpoint, RunResult, Trend
from glowledger.tables.species import listed_species

Table = tuple[tuple[str, ...], Sequence[tuple[str, ...]]]  # header and rows

LIGHT_ONLY = (
    "The light says that products have stopped coming off where the plasma reaches. It does not prove that "
    "the surface is clean: check with a water-break test, a contact angle or a witness coupon."
)
NO_INTERLOCK = "This is a measurement, not a safety interlock: nothing that protects people may depend on it."
ENDS = 10  # frames averaged for the first and the last value of a trend


def identify_summary(fit: Fit, *, findings: Sequence[Finding] = ()) -> list[str]:
    """Return what the spectrum shows, one sentence or two per thing to know.

    Parameters
    ----------
    fit : Fit
        The forward fit.
    findings : sequence, optional
        Conclusions drawn from several species.

    Returns
    -------
    list of str
        What is in the glow, what may be, what cannot be told and why, what was looked for in vain.
    """
    if NO_LIGHT in fit.warnings:
        return [capital(NO_LIGHT)]
    by_verdict = {v: [s for s in fit.species if s.verdict == v] for v in _VERDICTS}
    present, possible = by_verdict["present"], by_verdict["possible"]
    sentences = []
    if present:
        sentences.append(f"In the glow: {_listed([plain_name(s.name) for s in present])}.")
    elif fit.species and len(by_verdict["cannot tell"]) == len(fit.species):
        sentences.append("This spectrum cannot tell what is in the glow.")
    else:
        sentences.append("Nothing in the glow is certain.")
    if possible:
        sentences.append(f"Possible, not certain: {_listed([plain_name(s.name) for s in possible])}.")
    sentences += [f"{capital(f.text)} Confidence: {f.confidence}." for f in findings]
    sentences += _cannot_tell(by_verdict["cannot tell"])
    absent = {s.name for s in by_verdict["not seen"]}
    if absent:
        order = [s.name for s in listed_species()]
        names = sorted(absent, key=lambda name: order.index(name) if name in order else len(order))
        sentences.append(
            f"Looked for and not seen: {_listed(names, most=16)}. "
            "Not seen is not the same as absent: each has its limit."
        )
    return sentences


def species_table(fit: Fit, *, every: bool = False, errors: bool = False) -> Table:
    """Return the species as a table, strongest verdict first.

    Parameters
    ----------
    fit : Fit
        The forward fit.
    every : bool
        Also list the species that were not seen.
    errors : bool
        Give shares with their standard errors.

    Returns
    -------
    header, rows
        Species, verdict, share of the light, significance, strongest feature with its counts, reason.
    """
    header = ("Species", "Verdict", "Share", "Evidence", "Strongest feature, counts", "Why")
    shown = _VERDICTS if every else _VERDICTS[:2]
    rows: list[tuple[str, ...]] = [
        (s.name, s.verdict, _share(s, share_error(s, fit) if errors else math.nan),
         sigmas(s.significance) if s.verdict in _VERDICTS[:3] else "-",
         _strongest(s), s.reason)
        for verdict in shown for s in fit.species if s.verdict == verdict
    ]  # fmt: skip
    return header, rows


def finding_table(findings: Sequence[Finding]) -> Table:
    """Return the conclusions with what they rest on, what would confirm them and what else it may be."""
    header = ("Conclusion", "Confidence", "Rests on", "Would confirm or refute", "Could also be")
    rows: list[tuple[str, ...]] = [
        (f.kind, f.confidence, *("; ".join(p) or "-" for p in (f.evidence, f.confirm_by, f.could_also_be)))
        for f in findings
    ]
    return header, rows


def feature_table(fit: Fit) -> Table:
    """Return every feature of the species found, by wavelength: label, nm, counts with error, overlaps."""
    header = ("Feature", "nm in air", "Counts", "Shares its place with", "Stands out")
    features = [f for s in fit.species if s.verdict in ("present", "possible") for f in s.features]
    rows: list[tuple[str, ...]] = [
        (f.label, f"{f.wavelength_nm:.2f}", plus_minus(f.counts, f.standard_error),
         ", ".join(f.overlaps) or "-", "yes" if f.clean else "no")
        for f in sorted(features, key=lambda f: f.wavelength_nm)
    ]  # fmt: skip
    return header, rows


def fit_sentences(fit: Fit) -> list[str]:
    """Return how the fit itself went: shift, line width, agreement, temperatures."""
    if NO_LIGHT in fit.warnings:
        return []
    said = [
        f"The wavelength axis was shifted by {plus_minus(fit.shift_nm, fit.shift_se_nm, 'nm')}; "
        f"lines are {fit.fwhm_nm:.2f} nm wide (full width at half maximum).",
        f"Reduced chi-square {fit.chi2_reduced:.2f}, the templates being taken as right to "
        f"{percent(fit.mismatch)}.",
    ]
    for t in fit.temperatures:
        if math.isfinite(t.kelvin):
            low, high = t.interval_k
            said.append(f"{t.name}: {t.kelvin:.0f} K (68 %: {low:.0f} to {high:.0f} K), {t.reason}.")
        else:
            said.append(f"{t.name}: cannot tell: {t.reason.removeprefix('cannot tell: ')}.")
    return said


def identify_text(
    fit: Fit,
    *,
    title: str = "",
    findings: Sequence[Finding] = (),
    checks: Sequence[str] = (),
    notes: Sequence[str] = (),
    every: bool = False,
    width: int = 100,
) -> str:
    """Return the answer of ``identify`` for a terminal.

    Parameters
    ----------
    fit : Fit
        The forward fit.
    title : str
        Name of the spectrum; its own line on top.
    findings : sequence, optional
        Conclusions drawn from several species.
    checks : sequence of str
        What would settle the conclusions; printed below them.
    notes : sequence of str
        Further sentences at the end, e.g. which files were written.
    every : bool
        Also list what was not seen, with its limits, and what cannot be told.
    width : int
        Columns of the terminal.

    Returns
    -------
    str
        Text without a final newline.
    """
    blocks = [_filled(identify_summary(fit, findings=findings), width), _filled(checks, width)]
    header, rows = species_table(fit, every=every)
    if rows:
        blocks.append(text_table((header[:-1], [row[:-1] for row in rows])))
        found = [f"{name}: {_small(why)}" for name, verdict, *_, why in rows if verdict in _VERDICTS[:2]]
        blocks.append(_filled(found, width))
    blocks.append(_filled(fit_sentences(fit), width))
    blocks.append(_filled([f"Caution: {_small(w)}" for w in fit.warnings if w != NO_LIGHT], width))
    blocks.append(_filled(notes, width))
    return "\n\n".join([*([title] if title else []), *(b for b in blocks if b)])


def track_summary(result: RunResult) -> list[str]:
    """Return what the run says: verdict and time first, then why, then events.

    Parameters
    ----------
    result : RunResult
        Everything the run says.

    Returns
    -------
    list of str
        One sentence or two per thing to know.
    """
    end = result.endpoint
    said = [verdict_sentence(end), capital(end.reason)]
    if end.indicator:
        said.append(f"Decided by {end.indicator}; criterion: {end.criterion}.")
    if result.reference:
        said.append(f"Contaminants are divided by {result.reference}: {result.reference_reason}.")
    said.append(_flash_sentence(result))
    if len(result.regimes) > 1:
        cuts = [f"{clock(r.start_s)} ({r.why})" for r in result.regimes[1:]]
        said.append(
            f"Conditions changed at {_listed(cuts)}. Where ratios may have changed with them, values before and after "
            "are not compared."
        )
    said += [f"Alarm at {clock(a.time_s)}, {a.kind}: {a.text}" for a in result.alarms]
    return said


def verdict_sentence(end: Endpoint) -> str:
    """Return the verdict on a run as one sentence, with the time and its 95 % interval."""
    interval = clock_interval(end.interval_s)
    left = clock_interval(end.remaining_interval_s)
    match end.verdict:
        case "reached":
            when = f" at {clock(end.time_s)}" if math.isfinite(end.time_s) else ""
            when += f" (95 %: {interval})" if interval else ""
            said = f", declared at {clock(end.declared_at_s)}" if math.isfinite(end.declared_at_s) else ""
            return f"Endpoint reached{when}{said}."
        case "approaching":
            if end.remaining_interval_s[1] == 0.0:
                return "Not done yet: the end seems to have come, but it takes more frames to be sure."
            if end.remaining_s == 0.0:
                high = end.remaining_interval_s[1]
                within = f" (95 %: within {clock(high)})" if math.isfinite(high) else ""
                return f"Not done yet: the end may have come already, but that is not sure{within}."
            known = math.isfinite(end.remaining_s)
            about = f"about {clock(end.remaining_s)} left" if known else "time left unknown"
            return f"Not done yet: {about}{f' (95 %: {left})' if left else ''}."
        case "not reached":
            return "Not done yet, and no time left can be named."
        case _:
            return "This run cannot tell whether it is done."


def limits_of_light(end: Endpoint) -> list[str]:
    """Return what light cannot prove, unless the reason of the endpoint says it already."""
    return [] if "water-break" in end.reason else [LIGHT_ONLY]


def trend_table(result: RunResult) -> Table:
    """Return the means of each indicator over the first and last frames of the run that are used."""
    header = ("Indicator", f"Mean of first {ENDS} frames", f"Mean of last {ENDS} frames", "Verdict")
    rows: list[tuple[str, ...]] = []
    for trend in result.indicators:
        verdict = result.endpoints[trend.name].verdict if trend.name in result.endpoints else "-"
        rows.append((trend.name, _mean(trend, slice(None, ENDS)), _mean(trend, slice(-ENDS, None)), verdict))
    return header, rows


def glow_of_run(result: RunResult, fit: Fit, findings: Sequence[Finding] = ()) -> list[str]:
    """Return what glows in the mean of a run and what that may mean; nothing where nothing is certain."""
    present = [s.name for s in fit.species if s.verdict == "present"]
    if not present:
        return []
    said = [f"{capital(f.text)} Confidence: {f.confidence}." for f in findings]
    more = ["How each is told, and what would check it: 'glowledger identify' on the same file."] if findings else []
    return [identify_summary(fit)[0], *said, *unsure_indicators(result, present, "the mean of the run"), *more]


def unsure_indicators(result: RunResult, present: Sequence[str], where: str) -> list[str]:
    """Return a sentence on the species that are followed without being certain to glow; nothing if all are."""
    burst = {name for flash in result.flashes for name in flash.species}  # told by their flashes
    followed = [trend.name.partition("/")[0] for trend in result.indicators]
    unsure = [name for name in dict.fromkeys(followed) if name not in present and name not in burst]
    return [f"Followed, but not certain to glow in {where}: {_listed(unsure)}."] if unsure else []


def track_text(
    result: RunResult, *, title: str = "", glow: Sequence[str] = (), notes: Sequence[str] = (), width: int = 100
) -> str:
    """Return the answer of ``track`` for a terminal; `glow` from `glow_of_run`, the others as in `identify_text`."""
    blocks = [
        _filled(track_summary(result), width),
        _filled(glow, width),
        text_table(trend_table(result)),
        f"{counted(result.frames, 'frame')} over {clock(result.duration_s)}.",
        _filled([*limits_of_light(result.endpoint), NO_INTERLOCK], width),
        _filled(notes, width),
    ]
    return "\n\n".join([*([title] if title else []), *(b for b in blocks if b)])


def text_table(table: Table) -> str:
    """Return a table as text, columns aligned, two spaces between."""
    header, rows = table
    widths = [max(len(line[k]) for line in [header, *rows]) for k in range(len(header))]
    lines = [header, tuple("-" * w for w in widths), *rows]
    padded = ["  ".join(f"{c:<{w}}" for c, w in zip(line, widths, strict=True)) for line in lines]
    return "\n".join(line.rstrip() for line in padded)


_VERDICTS = ("present", "possible", "not seen", "cannot tell")


def plain_name(species: str) -> str:
    """Return the notation of a species with its plain name, e.g. ``O I (oxygen atoms)``."""
    plain = next((s.plain for s in listed_species() if s.name == species), "")
    first, _, more = plain.partition(" (")
    inner = f"{first}: {more.removesuffix(')')}" if more else first
    return species if not inner or inner == species else f"{species} ({inner.removeprefix(f'{species}: ')})"


def _cannot_tell(species: list[SpeciesEvidence]) -> list[str]:
    """Return one sentence per reason, naming all species that it keeps from being told."""
    reasons: dict[str, list[str]] = {}
    for s in species:
        reasons.setdefault(s.reason, []).append(s.name)
    return [
        f"Cannot tell {_listed(names, most=12)}: "
        + (_small(reason) if len(names) == 1 else re.sub(r"^[Ii]ts\b", "their", _small(reason)))
        for reason, names in reasons.items()
    ]


def share_error(s: SpeciesEvidence, fit: Fit) -> float:
    """Return the standard error of a species' share of the light, the species being taken as independent."""
    if not (s.share > 0 and s.counts > 0):
        return math.nan
    total = s.counts / s.share
    others = sum(one.standard_error**2 for one in fit.species if one is not s and one.share > 0)
    return math.sqrt((1 - s.share) ** 2 * s.standard_error**2 + s.share**2 * others) / total


def _share(s: SpeciesEvidence, error: float) -> str:
    if s.verdict == "cannot tell":
        return "-"
    if s.verdict == "not seen":
        per_count = s.share / s.counts if s.counts > 0 else math.nan
        limit = s.upper_limit * per_count
        return f"< {percent(max(limit, 0.001))}" if math.isfinite(limit) else "-"
    return plus_minus(100 * s.share, 100 * error, "%") if math.isfinite(error) else percent(s.share)


def _strongest(s: SpeciesEvidence) -> str:
    if s.verdict in ("present", "possible") and s.features:
        f = s.features[0]
        return f"{f.label} at {f.wavelength_nm:.1f} nm, {plus_minus(f.counts, f.standard_error)}"
    if s.verdict == "not seen" and math.isfinite(s.upper_limit):
        return f"below {two_digits(s.upper_limit)} counts (95 %)"
    return "-"


def _flash_sentence(result: RunResult) -> str:
    rate = flash_rate(result)
    known = math.isfinite(rate.value)
    if not result.flashes:
        return f"No flashes: fewer than {two_digits(rate.high)} a minute (95 %)." if known else "No flashes."
    seen = list(dict.fromkeys(name for flash in result.flashes for name in flash.species))
    count = len(result.flashes)
    what = f" of {_listed(seen)}" if seen else ""
    last = clock(result.flashes[-1].time_s)
    often = f"{two_digits(rate.value)} a minute (95 %: {two_digits(rate.low)} to {two_digits(rate.high)})"
    said = f"{count} flash{'es' if count > 1 else ''}{what} set aside, the last at {last}"
    return f"{said}; {often}." if known else f"{said}."


def _mean(trend: Trend, which: slice) -> str:
    good = trend.used & np.isfinite(trend.value) & (trend.standard_error > 0)
    value, error = trend.value[good][which], trend.standard_error[good][which]
    if not value.size:
        return "unknown"
    weight = error**-2.0
    return plus_minus(float(np.sum(weight * value) / weight.sum()), float(weight.sum() ** -0.5))


def capital(sentence: str) -> str:
    """Return a sentence with a capital first letter and a full stop."""
    sentence = sentence.strip()
    return sentence[:1].upper() + sentence[1:] + ("" if sentence.endswith((".", "!", "?")) else ".")


def _small(sentence: str) -> str:
    """Return a sentence to follow a colon: small first letter unless it begins with a symbol or acronym."""
    first = sentence.split(" ")[0]
    symbols = {s.name.split(" ")[0] for s in listed_species()}
    if first not in symbols and (first[1:].islower() or len(first) == 1):
        sentence = sentence[:1].lower() + sentence[1:]
    return sentence if sentence.endswith(".") else f"{sentence}."
