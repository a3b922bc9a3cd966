"""Build molecules.json, band_strengths.csv and band_heads.csv from a folder of collected facts.

    python line_tables/build_molecules.py FACTS_FOLDER [OUTPUT_FOLDER]

Same facts, same bytes. The facts folder holds molecular_constants.json, band_strengths.csv and
band_heads.csv; what each number rests on goes with it into the tables, see FORMAT_MOLECULES.md.
"""

from __future__ import annotations

import csv
import json
import sys
from pathlib import Path

# name: (upper state, lower state, molecule, trade name, name in the facts, branching uncertainty)
SYSTEMS = {
    "N2 C-B": ("N2_C", "N2_B", "N2", "second positive", "N2 second positive", 0.05),
    "N2 B-A": ("N2_B", "N2_A", "N2", "first positive", "N2 first positive", 0.10),
    "N2+ B-X": ("N2+_B", "N2+_X", "N2+", "first negative", "N2+ first negative", 0.05),
    "OH A-X": ("OH_A", "OH_X", "OH", "306 nm system", "OH A-X", 0.10),
    "NH A-X": ("NH_A", "NH_X", "NH", "336 nm system", "NH A-X", 0.25),
    "CH A-X": ("CH_A", "CH_X", "CH", "431 nm system", "CH A-X", 0.25),
    "CH B-X": ("CH_B", "CH_X", "CH", "389 nm system", "CH B-X", 0.30),
    "CN B-X": ("CN_B", "CN_X", "CN", "violet", "CN violet", 0.05),
    "C2 d-a": ("C2_d", "C2_a", "C2", "Swan", "C2 Swan", 0.05),
    "CO B-A": ("CO_B", "CO_A", "CO", "Ångström", "CO Angstrom", 0.25),
    "CO b-a": ("CO_b", "CO_a", "CO", "third positive", "CO third positive", 0.10),
    "CO+ A-X": ("CO+_A", "CO+_X", "CO+", "comet tail", "CO+ comet tail", 0.10),
    "CO+ B-X": ("CO+_B", "CO+_X", "CO+", "first negative of CO+", None, 0.25),
    "NO A-X": ("NO_A", "NO_X", "NO", "gamma", "NO gamma", 0.05),
    "NO B-X": ("NO_B", "NO_X", "NO", "beta", "NO beta", 0.10),
    "O2+ b-a": ("O2+_b", "O2+_a", "O2+", "first negative of O2+", "O2+ first negative", 0.30),
    "H2 d-a": ("H2_d", "H2_a", "H2", "Fulcher-alpha", "H2 Fulcher-alpha", 0.30),
    "AlO B-X": ("AlO_B", "AlO_X", "AlO", "blue-green system", "AlO B-X", 0.25),
}
HEADS_ONLY = {
    "CO2+ B-X": ("CO2+", "ultraviolet doublet", "CO2+ B-X"),
    "CO2+ A-X": ("CO2+", "Fox-Duffendack-Barker", "CO2+ A-X (uncertain)"),
    "TiO C-X": ("TiO", "alpha", "TiO alpha (C-X)"),
    "TiO B-X": ("TiO", "gamma prime", "TiO gamma-prime (B-X)"),
    "TiO A-X": ("TiO", "gamma", "TiO gamma (A-X)"),
    "SiO A-X": ("SiO", "A-X", "SiO A-X"),
    "SiH A-X": ("SiH", "A-X", "SiH A-X"),
}
SPIN_ZERO, SPIN_HALF, SPIN_ONE, UNLIKE = (1.0, 0.0), (1.0, 3.0), (6.0, 3.0), (1.0, 1.0)
NUCLEAR_WEIGHTS = {"N2": SPIN_ONE, "N2+": SPIN_ONE, "C2": SPIN_ZERO, "O2+": SPIN_ZERO, "H2": SPIN_HALF}
SOURCES = {
    "flowcode": (
        "published",
        "constants as carried by an openly readable flow-radiation data set, which names a compilation of "
        "diatomic constants (2007), the NIST Chemistry WebBook and Huber & Herzberg 1979 as its sources",
    ),
    "flowcode_oh": ("published", "as flowcode; OH after Huber & Herzberg 1979 and Luque & Crosley 1998"),
    "webbook": ("published", "NIST Chemistry WebBook (Huber & Herzberg 1979), page of CO+, opened"),
    "hh79": (
        "from memory",
        "Huber & Herzberg, Constants of Diatomic Molecules (1979), from memory",
    ),
    "memory": ("from memory", "from memory"),
    "fit_angstrom": (
        "fitted",
        "CO A1Π Te, we, wexe fitted to the five Ångström heads of band_heads.csv: no published constants",
    ),
    "ch_b": ("derived", "we and wexe from ΔG(1/2) = 1794.9 and ν00 = 25698.2 cm⁻¹ (from memory); Be is B0"),
    "kratzer": ("computed", "Kratzer's relation De = 4 Be³ / we²"),
    "symbol": ("computed", "from the term symbol and the nuclear spins"),
    "luque1998": ("published", "Luque & Crosley, J. Chem. Phys. 109, 439 (1998)"),
    "rkr": (
        "computed",
        "Franck-Condon factors computed from RKR potentials of the constants in molecules.json",
    ),
    "chauveau2002": (
        "published",
        "Chauveau, Perrin, Rivière & Soufiani, JQSRT 72, 503 (2002): transition moments, converted with "
        "A = 2.0261e-6 ν³ Re²",
    ),
    "babou2009": ("published", "Babou, Rivière, Perrin & Soufiani, Int. J. Thermophys. 30, 416 (2009)"),
    "brooke2013": ("published", "Brooke, Bernath, Schmidt & Bacskay, JQSRT 124, 11 (2013)"),
    "yousefi2018": ("published", "Yousefi, Bernath, Hodges & Masseron, JQSRT 217, 416 (2018)"),
    "pearse_gaydon": (
        "from memory",
        "Pearse & Gaydon, The Identification of Molecular Spectra, 4th ed. (1976), from memory",
    ),
    "uncertain": ("from memory", "from memory, uncertain"),
}
SOURCE_KEYS = {
    "FLOWCODE": "flowcode",
    "FLOWCODE+NIST_WB": "webbook",
    "HH79_memory": "hh79",
    "FIT_ANGSTROM_HEADS": "fit_angstrom",
    "DERIVED_CH_B": "ch_b",
    "from memory": "memory",
}
KEPT = [
    "Te",
    "we",
    "wexe",
    "weye",
    "weze",
    "Be",
    "alpha_e",
    "gamma_e",
    "De",
    "beta_e",
    "A_so",
    "lambda_ss",
    "gamma_sr",
    "p_ld",
    "q_ld",
    "re",
    "D0",
]


def state_entry(key: str, fact: dict) -> dict:
    """One state in our format."""
    constants = {}
    for name in KEPT:
        if name in fact["constants"]:
            value, source = (fact["constants"][name][part] for part in ("value", "source"))
            if value != 0.0 or name == "Te":
                constants[name] = [value, SOURCE_KEYS[source]]
    be, we = constants["Be"][0], constants["we"][0]
    if "De" not in constants:
        constants["De"] = [float(f"{4 * be**3 / we**2:.4g}"), "kratzer"]
    lam = int(fact["constants"]["Lambda"]["value"])
    # H2: spin splitting is below 0.01 nm and left out, J stands for N
    multiplicity = 1 if key.startswith("H2_") else int(fact["constants"]["mult"]["value"])
    label = fact["label"]
    molecule = key.split("_")[0]
    weights = NUCLEAR_WEIGHTS.get(molecule, UNLIKE)
    share = 1.0 if key == "H2_d" else 1 / 3 if (multiplicity, lam) == (3, 1) else 0.0
    lifetime = fact.get("lifetime_v0")
    return {
        "molecule": fact["molecule"],
        "label": label,
        "multiplicity": multiplicity,
        "lambda": lam,
        "reflection": 1 if "Sigma" in label and label.endswith("-") else 0,
        "inversion": 1 if "_g" in label else -1 if "_u" in label else 0,
        "nuclear_weights": list(weights),
        "lambda_share": share,
        "reduced_mass_u": fact["reduced_mass_u"]["value"],
        "constants": constants,
        "level_shifts": {},
        "lifetime_ns": None if lifetime is None else [lifetime["value"], SOURCE_KEYS[lifetime["source"]]],
    }


def strength_rows(facts: list[dict]) -> dict[str, list[dict]]:
    """Strengths by system, in the order of v', v''."""
    names = {fact: name for name, (_, _, _, _, fact, _) in SYSTEMS.items()}
    rows: dict[str, list[dict]] = {}
    for fact in facts:
        rows.setdefault(names[fact["system"]], []).append(fact)
    for name in rows:
        rows[name].sort(key=lambda row: (int(row["v_upper"]), int(row["v_lower"])))
    return rows


def source_of(text: str) -> str:
    """Key of a source of strengths."""
    for start, key in (
        ("Chauveau", "chauveau2002"),
        ("Babou", "babou2009"),
        ("Brooke", "brooke2013"),
        ("Yousefi", "yousefi2018"),
        ("Luque", "luque1998"),
        ("computed", "rkr"),
    ):
        if text.startswith(start):
            return key
    if not text:
        return ""
    raise ValueError(f"unknown source: {text}")


def write_csv(file: Path, used: set[str], header: list[str], rows: list[list[str]]) -> None:
    """A table with its sources in the preamble."""
    lines = ["# format: glowledger/table/1"]
    lines += [f"# source {key}: {SOURCES[key][1]}" for key in sorted(used) if key]
    lines += [",".join(header)] + [",".join(row) for row in rows]
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")


def read_csv(file: Path) -> list[dict]:
    with file.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def build(facts: Path, output: Path) -> None:
    constants = json.loads((facts / "molecular_constants.json").read_text(encoding="utf-8"))
    keys = sorted({key for upper, lower, *_ in SYSTEMS.values() for key in (upper, lower)})
    states = {key.replace("_", " "): state_entry(key, constants["states"][key]) for key in keys}
    strengths = strength_rows(read_csv(facts / "band_strengths.csv"))
    systems = {}
    out_rows, used = [], set()
    for name, (upper, lower, molecule, trade, _, uncertainty) in SYSTEMS.items():
        own = set()
        for row in strengths.get(name, []):
            fc_source, a_source = source_of(row["franck_condon_source"]), source_of(row["A_source"])
            out_rows.append(
                [
                    name,
                    row["v_upper"],
                    row["v_lower"],
                    row["franck_condon"],
                    fc_source,
                    row["A_per_s"],
                    a_source,
                ]
            )
            own |= {fc_source, a_source}
        used |= own
        systems[name] = {
            "molecule": molecule,
            "trade_name": trade,
            "upper": upper.replace("_", " "),
            "lower": lower.replace("_", " "),
            "branching_uncertainty": uncertainty,
            "origin_uncertainty_nm": 0.05,
            "sources": sorted(own - {""}),
            "note": "",
        }
    for name, (molecule, trade, _) in HEADS_ONLY.items():
        systems[name] = {
            "molecule": molecule,
            "trade_name": trade,
            "upper": None,
            "lower": None,
            "branching_uncertainty": 1.0,
            "origin_uncertainty_nm": 0.5,
            "sources": ["uncertain"],
            "note": "band heads only",
        }
    document = {
        "format": "glowledger/molecules/1",
        "sources": {key: {"kind": kind, "text": text} for key, (kind, text) in SOURCES.items()},
        "states": states,
        "systems": systems,
    }
    text = json.dumps(document, indent=1, ensure_ascii=False)
    (output / "molecules.json").write_text(text + "\n", encoding="utf-8")
    header = ["system", "v_upper", "v_lower", "franck_condon", "franck_condon_source"]
    write_csv(
        output / "band_strengths.csv", used, [*header, "einstein_a_per_s", "einstein_a_source"], out_rows
    )
    write_heads(facts, output)


def write_heads(facts: Path, output: Path) -> None:
    names = {fact: name for name, (_, _, _, _, fact, _) in SYSTEMS.items()}
    names |= {fact: name for name, (_, _, fact) in HEADS_ONLY.items()}
    rows, used = [], set()
    for fact in read_csv(facts / "band_heads.csv"):
        text = fact["source"]
        key = (
            "pearse_gaydon" if text.startswith("Pearse") else "uncertain" if "uncertain" in text else "memory"
        )
        used.add(key)
        fitted = "yes" if fact["system"] == "CO Angstrom" else "no"
        side = {"violet": "violet", "red": "red"}.get(fact["degradation"], "unknown")
        rows.append(
            [
                names[fact["system"]],
                fact["v_upper"],
                fact["v_lower"],
                fact["wavelength_air_nm"],
                side,
                fitted,
                key,
            ]
        )
    header = ["system", "v_upper", "v_lower", "wavelength_nm", "degradation", "fitted", "source"]
    write_csv(output / "band_heads.csv", used, header, rows)


if __name__ == "__main__":
    build(Path(sys.argv[1]), Path(sys.argv[2]) if len(sys.argv) > 2 else Path(__file__).resolve().parent)
