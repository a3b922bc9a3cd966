"""Build molecules.json, band_strengths.csv and band_heads.csv from a folder of collected facts.

    python line_tables/build_molecules.py line_tables/facts [--out FOLDER]

Same facts, same bytes. What is decided here, and why, stands in molecule_choices.py; the format in
FORMAT_MOLECULES.md.
"""

from __future__ import annotations

import argparse
import csv
import json
from pathlib import Path

import molecule_choices as choices

from glowledger.glow.franck_condon import franck_condon_factors
from glowledger.tables.molecules import FORMAT, state_from_entry

HERE = Path(__file__).resolve().parent
CONSTANTS = (
    *("Te", "we", "wexe", "weye", "weze", "w5e", "Be", "alpha_e", "gamma_e", "De", "beta_e"),
    *("A_so", "lambda_ss", "gamma_sr", "p_ld", "q_ld", "q_plus", "re", "D0"),
)
HEAD_COLUMNS = ("system", "v_upper", "v_lower", "wavelength_nm", "degradation", "fitted", "source")
STRENGTH_COLUMNS = (
    *("system", "v_upper", "v_lower", "franck_condon", "franck_condon_source"),
    *("einstein_a_per_s", "einstein_a_source"),
)


def constants_of(key: str, fact: dict) -> dict:
    """Constants of one state with their sources, zeros left out."""
    found = {}
    for name in CONSTANTS:
        if name in fact["constants"]:
            value, source = (fact["constants"][name][part] for part in ("value", "source"))
            found[name] = (value, choices.SOURCE_KEYS[source])
    found |= choices.CONSTANT_CHANGES.get(key, {})
    constants = {name: list(found[name]) for name in CONSTANTS if name in found and found[name][0] != 0.0}
    constants.setdefault("Te", [0.0, "webbook"])
    if "De" not in constants:
        de = 4 * constants["Be"][0] ** 3 / constants["we"][0] ** 2
        constants["De"] = [float(f"{de:.4g}"), "kratzer"]
    return constants


def state_entry(key: str, fact: dict) -> dict:
    """One state in our format."""
    molecule, label = key.split("_")[0], fact["label"]
    lam = int(fact["constants"]["Lambda"]["value"])
    # H2: spin splitting is below 0.01 nm and left out, J stands for N
    multiplicity = 1 if molecule == "H2" else int(fact["constants"]["mult"]["value"])
    # the form of the rotational term that goes with the constants
    lambda_share = 1.0 if key == "H2_d" else 1 / 3 if (multiplicity, lam) == (3, 1) else 0.0
    lifetime = fact.get("lifetime_v0")
    shifts, shift_source = choices.LEVEL_SHIFTS.get(key, ({}, ""))
    ceilings, ceiling_source = choices.CEILINGS.get(key, ({}, ""))
    return {
        "molecule": fact["molecule"],
        "label": label,
        "multiplicity": multiplicity,
        "lambda": lam,
        "reflection": 1 if "Sigma" in label and label.endswith("-") else 0,
        "inversion": 1 if "_g" in label else -1 if "_u" in label else 0,
        "nuclear_weights": list(choices.NUCLEAR_WEIGHTS.get(molecule, (1.0, 1.0))),
        "lambda_share": lambda_share,
        "reduced_mass_u": fact["reduced_mass_u"]["value"],
        "constants": constants_of(key, fact),
        "level_shifts": {str(v): [shift, shift_source] for v, shift in shifts.items()},
        "ceilings": {str(v): [value, ceiling_source] for v, value in ceilings.items()},
        "lifetime_ns": lifetime and [lifetime["value"], choices.SOURCE_KEYS[lifetime["source"]]],
    }


def strength_key(text: str) -> str:
    """Key of a source of strengths; empty for an empty cell."""
    return choices.STRENGTH_KEYS[text.split()[0]] if text else ""


def collected_strengths(facts: Path) -> list[list[str]]:
    """Rows of strengths as collected, in the order of SYSTEMS, v', v''."""
    names = {system[4]: name for name, system in choices.SYSTEMS.items()}
    rows = [
        [
            *(names[fact["system"]], fact["v_upper"], fact["v_lower"]),
            *(fact["franck_condon"], strength_key(fact["franck_condon_source"])),
            *(fact["A_per_s"], strength_key(fact["A_source"])),
        ]
        for fact in read_csv(facts / "band_strengths.csv")
    ]
    order = list(choices.SYSTEMS)
    return sorted(rows, key=lambda row: (order.index(row[0]), int(row[1]), int(row[2])))


def computed_strengths(states: dict) -> list[list[str]]:
    """Rows of the systems for which nobody collected factors."""
    rows = []
    for name, tops in choices.COMPUTED_FACTORS.items():
        for v_upper, factors in enumerate(factors_of(name, states, tops)):
            for v_lower, factor in enumerate(factors):
                rows.append([name, str(v_upper), str(v_lower), f"{factor:.4f}", "rkr", "", ""])
    return rows


def renew_factors(states: dict, rows: list[list[str]]) -> None:
    """Put factors of the constants as they are now in place of collected ones."""
    for name in choices.RENEWED_FACTORS:
        mine = [row for row in rows if row[0] == name and row[4] == "rkr"]
        tops = max(int(row[1]) for row in mine), max(int(row[2]) for row in mine)
        factors = factors_of(name, states, tops)
        for row in mine:
            row[3] = f"{factors[int(row[1]), int(row[2])]:.4f}"


def factors_of(name: str, states: dict, tops: tuple[int, int]) -> list:
    """Franck-Condon factors of a system up to the levels `tops`."""
    texts = {key: text for key, (_, text) in choices.SOURCES.items()}
    keys = [key.replace("_", " ") for key in choices.SYSTEMS[name][:2]]
    return franck_condon_factors(*(state_from_entry(key, states[key], texts) for key in keys), *tops)


def system_entries(strengths: list[list[str]]) -> dict:
    """All systems in our format."""
    entries = {}
    for name, (upper, lower, molecule, trade, _, branching, origin, note) in choices.SYSTEMS.items():
        own = {key for row in strengths if row[0] == name for key in (row[4], row[6]) if key}
        entries[name] = {
            "molecule": molecule,
            "trade_name": trade,
            "upper": upper.replace("_", " "),
            "lower": lower.replace("_", " "),
            "branching_uncertainty": branching,
            "origin_uncertainty_nm": origin,
            "sources": sorted(own),
            "note": note,
        }
    for name, (molecule, trade, _) in choices.HEADS_ONLY.items():
        entries[name] = {
            "molecule": molecule,
            "trade_name": trade,
            "upper": None,
            "lower": None,
            "branching_uncertainty": 1.0,
            "origin_uncertainty_nm": 0.5,
            "sources": ["uncertain"],
            "note": "Band heads only.",
        }
    return entries


def head_rows(facts: Path) -> list[list[str]]:
    """Published heads, the collected and the added ones."""
    names = {system[4]: name for name, system in choices.SYSTEMS.items()}
    names |= {entry[2]: name for name, entry in choices.HEADS_ONLY.items()}
    rows = []
    for fact in read_csv(facts / "band_heads.csv"):
        text, side = fact["source"], fact["degradation"]
        source = "pearse_gaydon" if text.startswith("Pearse") else "uncertain"
        side = side if side in ("violet", "red") else "unknown"
        name, nm = names[fact["system"]], fact["wavelength_air_nm"]
        bands = choices.HEAD_BANDS.get((name, nm), (fact["v_upper"], fact["v_lower"]))
        rows.append([name, *bands, nm, side, source])
    for fact in read_csv(facts / "added_heads.csv"):
        for cell in fact["heads"].split(";"):
            band, nm = cell.split() if " " in cell.strip() else ("-", cell.strip())
            source = "dieke" if "line" in fact["degradation"] else "pearse_gaydon"
            rows.append([names[fact["system"]], *band.split("-"), nm, fact["degradation"], source])
    order = [*choices.SYSTEMS, *choices.HEADS_ONLY]
    rows.sort(key=lambda row: (order.index(row[0]), row[1].zfill(2), row[2].zfill(2), float(row[3])))
    return [[*row[:5], "yes" if is_fitted(row) else "no", row[5]] for row in rows]


def is_fitted(row: list[str]) -> bool:
    """Whether a level shift was fitted to this head."""
    return bool(row[1]) and (int(row[1]), int(row[2])) in choices.FITTED_HEADS.get(row[0], set())


def read_csv(file: Path) -> list[dict]:
    with file.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def write_table(file: Path, holds: str, header: tuple[str, ...], rows: list[list[str]]) -> None:
    """Write a table with its sources in the preamble; cells hold no commas."""
    marks = [i for i, name in enumerate(header) if name.endswith("source")]
    used = sorted({row[i] for row in rows for i in marks if row[i]})
    lines = ["# format: glowledger molecular table/1", f"# holds: {holds}"]
    lines += [f"# source {key}: {choices.SOURCES[key][1]}" for key in used]
    lines += [",".join(header)] + [",".join(row) for row in rows]
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")


def build(facts: Path, out: Path) -> None:
    """Write the three tables."""
    files = (facts / name for name in ("molecular_constants.json", "added_states.json"))
    collected = {
        key: state for file in files for key, state in json.loads(file.read_text(encoding="utf-8"))["states"].items()
    }
    keys = sorted({key for system in choices.SYSTEMS.values() for key in system[:2]})
    states = {key.replace("_", " "): state_entry(key, collected[key]) for key in keys}
    strengths = collected_strengths(facts)
    renew_factors(states, strengths)
    strengths += computed_strengths(states)
    document = {
        "format": FORMAT,
        "sources": {key: {"kind": kind, "text": text} for key, (kind, text) in choices.SOURCES.items()},
        "states": states,
        "systems": system_entries(strengths),
    }
    text = json.dumps(document, indent=1, ensure_ascii=False)
    (out / "molecules.json").write_text(text + "\n", encoding="utf-8")
    write_table(
        out / "band_strengths.csv",
        "Franck-Condon factors and Einstein A (1/s) of molecular bands",
        STRENGTH_COLUMNS,
        strengths,
    )
    write_table(
        out / "band_heads.csv",
        "published band heads; nm in air; fitted = constants were fitted to this head",
        HEAD_COLUMNS,
        head_rows(facts),
    )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("facts", type=Path, help="folder of collected facts")
    parser.add_argument("--out", type=Path, default=HERE, help="folder to write to (default: this one)")
    arguments = parser.parse_args()
    build(arguments.facts, arguments.out)
