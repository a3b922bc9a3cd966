"""Runs beside each other, as text, tables and document."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from glowledger.diagnose.compared_run import QUANTITIES, ComparedRun
from glowledger.diagnose.comparing import LEVEL, RANKED, Compared, Comparison
from glowledger.diagnose.estimates import Difference, Estimate
from glowledger.report.numbers import clock, clock_interval, two_digits
from glowledger.report.sentences import LIGHT_ONLY, Table, text_table
from glowledger.report.wrapping import filled, listed

SCHEMA = "glowledger/compare/1"
COLUMNS = 3  # runs that fit beside each other on a terminal
PAIRS = 3  # pairs of runs that are spoken of one by one
MOST = 12  # differences listed in the text where there are more pairs
TIMES = ("endpoint_s", "time_constant_s", "slow_constant_s")
HOLM = (
    f"Judged at {100 * LEVEL:g} % for all comparisons together (Holm 1979); intervals hold 95 % each. They hold "
    "for these runs; how much a repeat would differ only repeats can tell."
)


def compare_summary(compared: Compared) -> list[str]:
    """Return what the comparison says, one thing to know per sentence, the most important first."""
    said = [headline(compared)]
    told = [difference_sentence(c, compared) for c in compared.comparisons if c.told]
    if len(compared.attributed) > PAIRS:
        return [*said, *_gas_sentences(compared), *told[:MOST], *_many(compared), *compared.warnings]
    said += told + _gas_sentences(compared)
    for (first, second), (differ, unsaid) in compared.attributed.items():
        pair = [c for c in compared.comparisons if (c.first, c.second) == (first, second)]
        said += _silent_sentences(pair, first, second)
        said.append(_causes_sentence(first, second, differ, unsaid, any(c.told for c in pair)))
    return [s for s in said if s] + list(compared.warnings)


def headline(compared: Compared) -> str:
    """Return the first thing to know: who is fastest, or that nobody can tell, and whether anything differs."""
    told = [c for c in compared.comparisons if c.told]
    what = "gas" if compared.gases else "run"
    if compared.ranking:
        name = QUANTITIES[compared.ranked_by][0]
        groups: dict[int, list[str]] = {}
        for p in compared.ranking:
            groups.setdefault(p.place, []).append(p.name)
        order = ", then ".join(" and ".join(names) for names in groups.values())
        left = [r.name for r in compared.runs if all(r.name not in (p.name, *p.slower) for p in compared.ranking)]
        more = f" No place for {listed(left)}." if left and not compared.gases else ""
        return f"By {name}, fastest first: {order}.{more}"
    timeless = [run.name for run in compared.runs if not any(run.estimates[q].known for q in RANKED)]
    if len(timeless) > len(compared.runs) - 2:  # fewer than two to hold beside each other
        reason = f"{listed(timeless, 3)} told neither an end nor a time constant."
    else:
        reason = f"no fair difference{' in time' if told else ''} is larger than its uncertainty."
    apart = [QUANTITIES[q][0] for q in QUANTITIES if any(c.quantity == q for c in told)]
    more = f" What differs: {listed(apart)}." if apart else ""
    return f"Cannot tell which {what} is faster: {reason}{more}"


def difference_sentence(c: Comparison, compared: Compared) -> str:
    """Return one difference in plain words: how large, how sure."""
    if c.difference is None:
        return ""
    name = _quantity_name(c.quantity, compared)
    return f"Differs: {name}, {difference_words(c.difference, c.first, c.second)} (p {_p(c.p_adjusted)})."


def difference_words(d: Difference, first: str, second: str) -> str:
    """Return ``B is 1.6 times A (1.4 to 1.9)``, or the difference where it is none of ratios."""
    if not d.ratio:
        return f"{second} minus {first} is {d.value:.2g} ({d.low:.2g} to {d.high:.2g})"
    high = two_or_three(d.high) if math.isfinite(d.high) else "any"
    if not math.isfinite(d.value):
        return f"{second} over {first} lies above {two_or_three(d.low)}"
    return f"{second} is {two_or_three(d.value)} times {first} ({two_or_three(d.low)} to {high})"


def two_or_three(ratio: float) -> str:
    """Return a ratio with the digits that it deserves near 1."""
    return f"{ratio:.2f}" if 0.1 <= ratio < 10 else two_digits(ratio)


def compare_text(
    compared: Compared, *, cautions: Sequence[str] = (), notes: Sequence[str] = (), width: int = 100
) -> str:
    """Return the answer for a terminal.

    Parameters
    ----------
    compared : Compared
        The answer.
    cautions, notes : sequence of str
        Sentences at the end.
    width : int
        Columns.
    """
    main = f"Compared by {_main_words(compared)}: {compared.main_reason}." if compared.main else ""
    blocks = [
        filled(compare_summary(compared), width),
        text_table(side_by_side(compared)),
        filled([main, HOLM, LIGHT_ONLY], width),
        filled([f"Caution: {c}" for c in cautions], width),
        filled(notes, width),
    ]
    return "\n\n".join(b for b in blocks if b)


def run_table(compared: Compared) -> Table:
    """Return the numbers of every run with 95 % intervals; columns that nobody fills are left out."""
    gases = any(run.gas for run in compared.runs)
    shown = [q for q in QUANTITIES if any(run.estimates[q].known for run in compared.runs)]
    header = ("Run", *(["Gas"] if gases else []), "Verdict", *(_heading(q, compared) for q in shown))
    rows = [
        (
            run.name, *([run.gas or "not stated"] if gases else []), run.result.endpoint.verdict,
            *(estimate_words(run.estimates[q], q) for q in shown),
        )
        for run in compared.runs
    ]  # fmt: skip
    return header, rows


def side_by_side(compared: Compared) -> Table:
    """Return the numbers for a terminal: a column per run up to `COLUMNS` runs, a line per run beyond."""
    header, rows = run_table(compared)
    if len(rows) > COLUMNS:
        return header, rows
    turned = list(zip(header, *rows, strict=True))
    return tuple(turned[0]), [tuple(line) for line in turned[1:]]


def difference_table(compared: Compared) -> Table:
    """Return every comparison: the difference, its interval, how sure, or why it is not judged."""
    header = ("Runs", "Quantity", "Difference (95 %)", "p, adjusted", "Answer")
    rows = []
    for c in compared.comparisons:
        words = "-" if c.difference is None else difference_words(c.difference, c.first, c.second)
        rows.append(
            (f"{c.first}, {c.second}", _quantity_name(c.quantity, compared), words, _p(c.p_adjusted), answer_of(c))
        )
    return header, rows


def answer_of(c: Comparison) -> str:
    """Return the answer of one comparison in a few words."""
    if c.difference is None:
        return f"cannot tell: {c.reason}"
    if not c.fair:
        return "not fair: " + " ".join(o.text for o in c.obstacles)
    return "differs" if c.told else "not larger than its uncertainty"


def estimate_words(e: Estimate, quantity: str) -> str:
    """Return one number with its interval for a table."""
    if not e.known:
        return "cannot tell"
    if quantity in TIMES:
        interval = clock_interval((e.low, e.high)) if math.isfinite(e.high) else f"{clock(e.low)} to open"
        return f"{clock(e.value)} ({interval})"
    figures = (e.value, e.low, e.high)
    digits = _digits(e)
    return "{} ({} to {})".format(*(f"{x:.{digits}f}" if digits < 9 else f"{x:.3g}" for x in figures))


def compare_document(
    compared: Compared | None, *, plan: Mapping[str, object] | None = None, extra: Mapping[str, object] | None = None
) -> dict[str, object]:
    """Return the answer as one document, schema ``glowledger/compare/1``.

    Parameters
    ----------
    compared : Compared or None
        The answer; None for a plan alone.
    plan : mapping, optional
        Of `plan_answers.plan_document`.
    extra : mapping, optional
        Further fields.
    """
    document: dict[str, object] = {"schema": SCHEMA, "runs": [], "ranking": [], "comparisons": [], "warnings": []}
    if compared is not None:
        document |= {
            "runs": [_run(run) for run in compared.runs],
            "main": compared.main,
            "ranked_by": compared.ranked_by or None,
            "ranking": [{"place": p.place, "name": p.name, "slower": p.slower} for p in compared.ranking],
            "comparisons": [_comparison(c) for c in compared.comparisons],
            "gases": [
                {"pair": [g.first, g.second], "runs": g.runs, "quantity": g.quantity, "ratio": g.difference.value,
                 "interval": [g.difference.low, g.difference.high], "p": g.difference.p, "p_adjusted": g.p_adjusted,
                 "told": g.told, "unfair": g.unfair}
                for g in compared.gases
            ],
            "causes": [
                {"pair": pair, "differ": differ, "not_stated": unsaid}
                for pair, (differ, unsaid) in compared.attributed.items()
            ],
            "warnings": list(compared.warnings),
        }  # fmt: skip
    return document | ({"plan": plan} if plan is not None else {}) | dict(extra or {})


def _run(run: ComparedRun) -> dict[str, object]:
    end, tau = run.estimates["endpoint_s"], run.estimates["time_constant_s"]
    c = run.conditions
    return {
        "name": run.name,
        "gas": run.gas or None,
        "verdict": run.result.endpoint.verdict,
        "endpoint_s": end.value,
        "interval_s": end.interval,
        "indicator": run.result.endpoint.indicator,
        "time_constant_s": tau.value,
        "interval_tau_s": tau.interval,
        "estimates": {
            name: {"value": e.value, "interval": e.interval, "reason": e.reason} for name, e in run.estimates.items()
        },
        "decays": [
            {"indicator": d.name, "time_constant_s": d.time_constant.value, "interval_tau_s": d.time_constant.interval,
             "slow_constant_s": d.slow_constant.value, "interval_slow_s": d.slow_constant.interval,
             "initial_level": d.initial.value, "interval_initial": d.initial.interval, "final_level": d.final.value,
             "interval_final": d.final.interval, "two_stages": d.two}
            for d in run.decays
        ],
        "power_w": c.power_w,
        "pressure_pa": c.pressure_pa,
        "conditions": dict(c.words),
        "frames": run.result.frames,
        "duration_s": run.result.duration_s,
    }  # fmt: skip


def _comparison(c: Comparison) -> dict[str, object]:
    d = c.difference
    return {
        "pair": [c.first, c.second],
        "quantity": c.quantity,
        "ratio": None if d is None or not d.ratio else d.value,
        "difference": None if d is None or d.ratio else d.value,
        "interval": None if d is None else [d.low, d.high],
        "p": None if d is None else d.p,
        "p_adjusted": c.p_adjusted,
        "fair": c.fair,
        "told": c.told,
        "answer": answer_of(c),
    }


def _silent_sentences(pair: Sequence[Comparison], first: str, second: str) -> list[str]:
    """Return what of a pair is not told: equal within uncertainty, unknown, unfair."""
    said = []
    where = f"{first} and {second}"
    close = [c for c in pair if c.fair and c.difference is not None and not c.told]
    if close:
        parts = [f"{QUANTITIES[c.quantity][0]} ({_short(c.difference)})" for c in close if c.difference is not None]
        said.append(f"Not larger than its uncertainty between {where}: {listed(parts)}.")
    unknown = [c for c in pair if c.difference is None]
    if unknown:
        parts = [f"{QUANTITIES[c.quantity][0]} ({c.reason})" for c in unknown]
        said.append(f"Cannot tell between {where}: {listed(parts)}.")
    spoiled: dict[str, list[str]] = {}
    for c in pair:
        for o in c.obstacles:
            spoiled.setdefault(o.text, []).append(QUANTITIES[c.quantity][0])
    together: dict[tuple[str, ...], list[str]] = {}
    for text, names in spoiled.items():
        together.setdefault(tuple(names), []).append(text)
    for spoilt, texts in together.items():
        said.append(f"Not fair between {where}, so not judged: {listed(spoilt)}. {' '.join(texts)}")
    return said


def _many(compared: Compared) -> list[str]:
    """Return what many pairs say in all: how many differ, what is unfair, which causes differ or are not stated."""
    judged = [c for c in compared.comparisons if c.fair and c.difference is not None]
    told = sum(c.told for c in judged)
    pairs = len(compared.attributed)
    said = [
        f"Of {len(judged)} fair comparisons between {pairs} pairs of runs {told} are larger than their uncertainty; "
        "all of them stand in the document (--json) and in differences.csv (-o)."
    ]
    unfair: dict[str, set[tuple[str, str]]] = {}
    for c in compared.comparisons:
        for o in c.obstacles:
            unfair.setdefault(o.about, set()).add((c.first, c.second))
    if unfair:
        parts = [f"{about} ({len(met)} pairs)" for about, met in unfair.items()]
        said.append(f"Not fair, so not judged where it matters, because these differ: {listed(parts)}.")
    mixed = sum(len(differ) > 1 for differ, _ in compared.attributed.values())
    if mixed:
        said.append(f"In {mixed} pairs more than one cause differs: none of them alone can be made answerable.")
    unsaid = list(dict.fromkeys(name for _, names in compared.attributed.values() for name in names))
    if unsaid:
        said.append(f"Not stated for all runs: {listed(unsaid)}; a difference may come from there.")
    return said


def _short(d: Difference) -> str:
    high = two_or_three(d.high) if math.isfinite(d.high) else "any"
    if d.ratio and not math.isfinite(d.value):
        return f"ratio {two_or_three(d.low)} to {high}"
    if d.ratio:
        return f"ratio {two_or_three(d.value)}, {two_or_three(d.low)} to {high}"
    return f"difference {d.value:.2g}, {d.low:.2g} to {d.high:.2g}"


def _causes_sentence(first: str, second: str, differ: Sequence[str], unsaid: Sequence[str], told: bool) -> str:
    where = f"{first} and {second}"
    if len(differ) > 1:
        return f"Between {where} differ {listed(differ)}: a difference cannot be put down to any one of them."
    head = f"Of what was stated only the {differ[0]} differs between {where}. " if differ else ""
    if unsaid and (told or differ):
        tail = f"Not stated for both: {listed(unsaid)}; a difference may come from there."
        return f"{head}{tail}" if differ else f"{where}: {tail[0].lower()}{tail[1:]}"
    return head.strip()


def _gas_sentences(compared: Compared) -> list[str]:
    said = []
    for g in compared.gases:
        name = _quantity_name(g.quantity, compared)
        words = difference_words(g.difference, g.first, g.second)
        runs, p = f"{g.runs[0]} and {g.runs[1]} runs", _p(g.p_adjusted)
        if g.unfair:
            said.append(f"Gases, {name}: not fair. {' '.join(g.unfair)}")
        elif g.told:
            said.append(f"Gases differ in {name} by more than their runs scatter: {words}, {runs}, p {p}.")
        else:
            said.append(f"Gases, {name}: no difference larger than the scatter of {runs}: {words}.")
    return said


def _main_words(compared: Compared) -> str:
    references = list(dict.fromkeys(run.result.reference for run in compared.runs if run.result.reference))
    return f"{compared.main} over {' or '.join(references)}" if references else compared.main


def _quantity_name(quantity: str, compared: Compared) -> str:
    name = QUANTITIES[quantity][0]
    return f"{name} of {compared.main}" if compared.main and quantity not in ("endpoint_s", "flashes_per_min") else name


def _heading(quantity: str, compared: Compared) -> str:
    name, unit, _ = QUANTITIES[quantity]
    name = _quantity_name(quantity, compared) if quantity not in ("rate_per_watt", "rate_per_pascal") else name
    return f"{name[0].upper()}{name[1:]}" + (f", {unit}" if unit not in ("", "s") else "")


def _digits(e: Estimate) -> int:
    """Return the decimals that the width of an interval deserves."""
    width = 0.5 * (min(e.high, 10 * abs(e.value) + 1e-300) - e.low)
    return max(0, 1 - math.floor(math.log10(width))) if width > 0 and math.isfinite(width) else 9


def _p(p: float) -> str:
    if not math.isfinite(p):
        return "-"
    return "< 0.001" if p < 0.001 else f"= {p:.2g}"
