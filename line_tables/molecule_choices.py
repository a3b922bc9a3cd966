"""What the builder of the molecular tables decides: systems, sources, changes to the collected facts."""

from __future__ import annotations

# name: upper and lower state, molecule, trade name, name in the facts, branching uncertainty (relative),
# origin uncertainty (nm, from the residuals of the published heads), note
SYSTEMS = {
    "N2 C-B": ("N2_C", "N2_B", "N2", "second positive", "N2 second positive", 0.05, 0.02, ""),
    "N2 B-A": (
        "N2_B",
        "N2_A",
        "N2",
        "first positive",
        "N2 first positive",
        0.10,
        0.06,
        "Published heads scatter by 0.06 nm about the computed ones: which of the five sub-heads was read "
        "differs from band to band.",
    ),
    "N2+ B-X": ("N2+_B", "N2+_X", "N2+", "first negative", "N2+ first negative", 0.05, 0.01, ""),
    "OH A-X": (
        "OH_A",
        "OH_X",
        "OH",
        "306 nm system",
        "OH A-X",
        0.10,
        0.01,
        "Predissociation of A (v'=0 above N = 23, v'=1 above N = 14, all of v'=2 and 3) is not modelled.",
    ),
    "NH A-X": (
        "NH_A",
        "NH_X",
        "NH",
        "336 nm system",
        "NH A-X",
        0.25,
        0.06,
        "No Λ-doubling of A in the tables; branching from Franck-Condon factors.",
    ),
    "CH A-X": (
        "CH_A",
        "CH_X",
        "CH",
        "431 nm system",
        "CH A-X",
        0.25,
        0.05,
        "Branching from Franck-Condon factors.",
    ),
    "CH B-X": (
        "CH_B",
        "CH_X",
        "CH",
        "389 nm system",
        "CH B-X",
        0.30,
        0.06,
        "B is shallow: two vibrational levels, both cut by predissociation; constants of v'=1 are poor.",
    ),
    "CN B-X": ("CN_B", "CN_X", "CN", "violet", "CN violet", 0.05, 0.02, "Perturbations by A2Π left out."),
    "C2 d-a": ("C2_d", "C2_a", "C2", "Swan", "C2 Swan", 0.05, 0.02, ""),
    "CO B-A": (
        "CO_B",
        "CO_A",
        "CO",
        "Ångström",
        "CO Angstrom",
        0.25,
        0.03,
        "Levels of A1Π (v''=0 to 5) fitted to published heads; its rotational perturbations are left out.",
    ),
    "CO b-a": (
        "CO_b",
        "CO_a",
        "CO",
        "third positive",
        "CO third positive",
        0.10,
        0.10,
        "One shift of b3Σ+ fitted to five published heads; which sub-head was read is not certain.",
    ),
    "CO+ A-X": (
        "CO+_A",
        "CO+_X",
        "CO+",
        "comet tail",
        "CO+ comet tail",
        0.10,
        0.10,
        "Few and rounded published heads to check with.",
    ),
    "CO+ B-X": (
        "CO+_B",
        "CO+_X",
        "CO+",
        "first negative of CO+",
        "CO+ B-X",
        0.25,
        0.03,
        "Branching from Franck-Condon factors.",
    ),
    "NO A-X": ("NO_A", "NO_X", "NO", "gamma", "NO gamma", 0.05, 0.02, ""),
    "NO B-X": (
        "NO_B",
        "NO_X",
        "NO",
        "beta",
        "NO beta",
        0.10,
        0.10,
        "No published head to check with.",
    ),
    "O2+ b-a": (
        "O2+_b",
        "O2+_a",
        "O2+",
        "first negative of O2+",
        "O2+ first negative",
        0.30,
        0.10,
        "Some forty sub-bands: a published head finds a computed one nearby too easily to prove much.",
    ),
    "H2 d-a": (
        "H2_d",
        "H2_a",
        "H2",
        "Fulcher-alpha",
        "H2 Fulcher-alpha",
        0.30,
        0.03,
        "Spin splitting (< 0.01 nm) left out, J stands for N. Q lines are good; R and P lines from N' > 2, "
        "whose Π+ levels are perturbed, only to some 0.3 nm. The rest of the many-line spectrum is not here.",
    ),
    "AlO B-X": ("AlO_B", "AlO_X", "AlO", "blue-green system", "AlO B-X", 0.25, 0.02, ""),
    "SiO A-X": (
        "SiO_A",
        "SiO_X",
        "SiO",
        "A-X",
        "SiO A-X",
        0.30,
        0.10,
        "Constants and heads from memory; perturbations of A1Π left out. Branching from Franck-Condon factors.",
    ),
    "SiH A-X": (
        "SiH_A",
        "SiH_X",
        "SiH",
        "414 nm system",
        "SiH A-X",
        0.30,
        0.10,
        "Constants from memory; Λ-doubling left out. Branching from Franck-Condon factors.",
    ),
    "CO2+ A-X": (
        "CO2+_A",
        "CO2+_X",
        "CO2+",
        "Fox-Duffendack-Barker",
        "CO2+ A-X (uncertain)",
        0.30,
        0.10,
        "Constants and heads from memory. The molecule is taken as a diatomic: only the symmetric stretch, on which "
        "its bands lie, is there; bands of bending molecules and the coupling of bending and spin are left out.",
    ),
    "CO2+ B-X": (
        "CO2+_B",
        "CO2+_X",
        "CO2+",
        "ultraviolet doublet",
        "CO2+ B-X",
        0.30,
        0.10,
        "As for CO2+ A-X; that the two bands overlap those of A with much stretch is left out.",
    ),
}
HEADS_ONLY = {
    "TiO C-X": ("TiO", "alpha", "TiO alpha (C-X)"),
    "TiO B-X": ("TiO", "gamma prime", "TiO gamma-prime (B-X)"),
    "TiO A-X": ("TiO", "gamma", "TiO gamma (A-X)"),
    "CF2 A-X": ("CF2", "A-X", "CF2 A-X (uncertain)"),
    "He2 bands": ("He2", "bands of the helium molecule", "He2 bands"),
    "H2 lines 455-472": ("H2", "many-line spectrum, blue", "H2 lines 455-472"),
    "H2 lines 485-509": ("H2", "many-line spectrum, blue-green", "H2 lines 485-509"),
    "H2 lines 530-561": ("H2", "many-line spectrum, green", "H2 lines 530-561"),
    "H2 lines 566-620": ("H2", "many-line spectrum, yellow", "H2 lines 566-620"),
}

# Weights of levels symmetric and antisymmetric in the nuclei: spin 0, 1/2 (fermions), 1; all others 1, 1.
NUCLEAR_WEIGHTS = {
    "C2": (1.0, 0.0),
    "O2+": (1.0, 0.0),
    "H2": (1.0, 3.0),
    "N2": (6.0, 3.0),
    "N2+": (6.0, 3.0),
    "CO2+": (1.0, 0.0),
}

# Constants put in place of, or beside, those of the facts. Values are remembered ones, taken because the
# heads or lines named ask for them: those heads then show that facts and memory agree, they are no blind
# prediction. w5e of N2 B was remembered only after the heads had given -1.1e-4, so it counts as fitted.
CONSTANT_CHANGES = {
    # The facts stop at the fourth power; heads of v' = 8 to 12 then lie 0.15 to 1.1 nm too far to the blue.
    "N2_B": {"w5e": (-1.09e-4, "n2b_w5e")},
    # The facts lack the quadratic term of B(v); (4,4) and (3,2) heads then lie 0.15 nm off.
    "CN_B": {"gamma_e": (-4.0e-4, "prasad")},
    "C2_d": {"gamma_e": (-1.27e-3, "hh79")},
    # The facts lack the quadratic term; the R1 head and Q1(6) of (1,0) then lie 0.03 nm off.
    "OH_A": {
        "Be": (17.381, "oh_bv"),
        "alpha_e": (0.830, "oh_bv"),
        "gamma_e": (-0.003, "oh_bv"),
    },
    "OH_X": {
        "Be": (18.89393, "oh_xbv"),
        "alpha_e": (0.72047, "oh_xbv"),
        "gamma_e": (0.00475, "oh_xbv"),
        "A_so": (-139.05, "oh_x"),
        "gamma_sr": (-0.1191, "oh_x"),
        "De": (1.9086e-3, "oh_x"),
        "beta_e": (0.0, "oh_x"),
        "p_ld": (0.2353, "oh_x"),
        "q_ld": (-0.0387, "oh_x"),
    },
    # Π- levels (Q lines) keep the terms of the facts, Π+ levels (R and P lines) rise by q_plus N(N+1).
    "H2_d": {"q_plus": (0.265, "fulcher_r")},
}

# cm⁻¹; the mean of published minus computed over the heads marked `fitted` in band_heads.csv.
LEVEL_SHIFTS = {
    "CO_A": ({0: 0.62, 1: 4.09, 2: 0.15, 3: 1.08, 4: 2.40, 5: 5.37}, "fit_heads"),
    "CO_b": ({0: -9.2, 1: -9.2, 2: -9.2}, "fit_heads"),
    "H2_d": ({1: 1.43, 2: 2.70, 3: 3.74}, "fit_heads"),
}
FITTED_HEADS = {
    "N2 B-A": {(v, w) for v in range(7, 13) for w in range(3, 9)},
    "CO B-A": {(0, v) for v in range(6)},
    "CO b-a": {(0, v) for v in range(5)},
    "H2 d-a": {(1, 1), (2, 2), (3, 3)},
}

# Heads collected without the band they belong to: where the constants put one of its two sub-bands.
HEAD_BANDS = {
    ("CO2+ B-X", "288.3"): ("0", "0"), ("CO2+ B-X", "289.6"): ("0", "0"),
    ("CO2+ A-X", "337.0"): ("1", "0"), ("CO2+ A-X", "351.1"): ("0", "0"),
}  # fmt: skip

# cm⁻¹ above the lowest rotational level.
CEILINGS = {"CH_B": ({0: 2900.0, 1: 560.0}, "ch_b_cut")}

# Systems without collected factors: highest v' and v'' to compute.
COMPUTED_FACTORS = {
    "CO+ B-X": (4, 12), "SiO A-X": (5, 14), "SiH A-X": (1, 4), "CO2+ A-X": (5, 10), "CO2+ B-X": (0, 3),
}  # fmt: skip
# Systems whose collected factors were computed before the changes above: computed anew.
RENEWED_FACTORS = ("N2 B-A", "CN B-X", "C2 d-a")

SOURCES = {
    "flowcode": (
        "published",
        "constants as carried by an openly readable data set for radiating flows; it names a compilation of "
        "diatomic constants (2007), the NIST Chemistry WebBook and Huber & Herzberg 1979, and for OH also "
        "Luque & Crosley 1998",
    ),
    "webbook": ("published", "NIST Chemistry WebBook (Huber & Herzberg 1979), page of CO+"),
    "hh79": ("from memory", "Huber & Herzberg, Constants of Diatomic Molecules (1979), from memory"),
    "n2b_w5e": (
        "fitted",
        "to the first positive heads of v' = 7 to 12, which give -1.1e-4; the value of Huber & "
        "Herzberg (1979), from memory, is -1.09e-4 and stands here",
    ),
    "prasad": (
        "from memory",
        "gamma_e that carries B_v = 1.95872, 1.93801, 1.9165 of Prasad & Bernath, J. Mol. Spectrosc. 156, "
        "327 (1992), from memory",
    ),
    "oh_bv": (
        "from memory",
        "Be, alpha_e, gamma_e through B_v = 16.965, 16.129, 15.287 (Coxon, Can. J. Phys. 58, 933 (1980); "
        "Luque & Crosley 1998), from memory",
    ),
    "oh_xbv": (
        "from memory",
        "Be, alpha_e, gamma_e through B_v = 18.53488, 17.82391, 17.12244 (Coxon, Can. J. Phys. 58, 933 "
        "(1980)), from memory",
    ),
    "oh_x": (
        "from memory",
        "v = 0 constants from microwave and laser magnetic resonance work (Brown et al. 1978 convention), "
        "from memory; used for all v",
    ),
    "fulcher_r": (
        "fitted",
        "q_plus fitted to R(0) 599.406 and R(1) 597.544 nm of the (0,0) band (Crosswhite, The Hydrogen "
        "Molecule Wavelength Tables of G. H. Dieke (1972), from memory)",
    ),
    "memory": ("from memory", "from memory"),
    "co2_ion": (
        "from memory",
        "T0, B0, spin-orbit constant and frequency of the symmetric stretch: Herzberg, Electronic Spectra of "
        "Polyatomic Molecules (1966), and Gauyacq, Larcher & Rostas, Can. J. Phys. 57, 1634 (1979), from memory, "
        "rounded; Te, we and Be from them with co2_like; the mass is that of two oxygen atoms",
    ),
    "co2_like": (
        "from memory",
        "as of neutral CO2 (x11 about -3, alpha_1 about 0.0012 cm⁻¹, from memory): an assumption",
    ),
    "fit_angstrom": (
        "fitted",
        "CO A1Π Te, we, wexe fitted to five Ångström heads: no published constants",
    ),
    "fit_heads": (
        "fitted",
        "fitted to the published heads marked so in band_heads.csv, which check nothing then",
    ),
    "ch_b": (
        "derived",
        "we and wexe from ΔG(1/2) = 1794.9 and ν00 = 25698.2 cm⁻¹ (from memory); Be is B0",
    ),
    "ch_b_cut": (
        "from memory",
        "predissociation of CH B above N = 14 (v = 0) and N = 5 (v = 1), Herzberg 1950, from memory",
    ),
    "kratzer": ("computed", "Kratzer's relation De = 4 Be³ / we²"),
    "luque1998": ("published", "Luque & Crosley, J. Chem. Phys. 109, 439 (1998)"),
    "rkr": ("computed", "Franck-Condon factors computed from RKR potentials, no published array"),
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
    "dieke": (
        "from memory",
        "prominent lines of the many-line spectrum outside the Fulcher bands, rounded to 0.1 nm: Crosswhite, The "
        "Hydrogen Molecule Wavelength Tables of G. H. Dieke (1972) and Pearse & Gaydon (1976), from memory, uncertain; "
        "a strong line counts three times a plain one",
    ),
}
SOURCE_KEYS = {
    "FLOWCODE": "flowcode",
    "FLOWCODE+NIST_WB": "webbook",
    "HH79_memory": "hh79",
    "FIT_ANGSTROM_HEADS": "fit_angstrom",
    "DERIVED_CH_B": "ch_b",
    "from memory": "memory",
    "CO2_ION": "co2_ion",
    "CO2_LIKE": "co2_like",
}
STRENGTH_KEYS = {
    "Chauveau": "chauveau2002",
    "Babou": "babou2009",
    "Brooke": "brooke2013",
    "Yousefi": "yousefi2018",
    "Luque": "luque1998",
    "computed": "rkr",
}
