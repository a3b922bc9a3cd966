"""Invented results, built from arrays, for what the report package draws and says about them."""

import numpy as np

from glowledger.glow.results import Feature, Fit, SpeciesEvidence, Temperature
from glowledger.runs.results import Alarm, Endpoint, Flash, Regime, RunResult, Trend

# nm, from atomic_lines of the line tables and the usual band heads; heights are invented
LINES = {
    "Ar I": [
        (696.54, 9),
        (706.72, 4),
        (738.40, 7),
        (750.39, 22),
        (751.47, 9),
        (763.51, 30),
        (772.40, 14),
        (794.82, 8),
        (801.48, 9),
        (811.53, 40),
        (826.45, 9),
        (842.46, 12),
    ],
    "O I": [(777.3, 25), (844.6, 18), (615.7, 1.0)],
    "CO": [(451.1, 1.5), (483.5, 2.4), (519.8, 2.6), (561.0, 2.0), (608.0, 1.2), (662.0, 0.8)],
    "OH": [(309.0, 5.0), (283.0, 0.8)],
    "H I": [(656.28, 12), (486.13, 2.2), (434.05, 0.8)],
    "N2": [(337.1, 3.0), (357.7, 2.0), (315.9, 1.0), (380.5, 0.9), (375.5, 0.8), (405.9, 0.4)],
    "CN": [(388.3, 0.5), (421.6, 0.1)],
}
POSSIBLE = {"CN"}


def invented_fit(low=300.0, high=860.0, pixels=2048, names=tuple(LINES), height=1000.0, seed=4):
    rng = np.random.default_rng(seed)
    nm = np.linspace(low, high, pixels)
    background = 60 + 40 * np.exp(-(((nm - 520) / 150) ** 2))
    parts = {
        name: sum(height * h * np.exp(-0.5 * ((nm - at) / 0.6) ** 2) for at, h in LINES[name])
        for name in names
    }
    model = background + sum(parts.values(), np.zeros_like(nm))
    sd = np.sqrt(16 + 0.5 * model + (0.01 * (model - background)) ** 2)
    used = (nm > low + 8) & ~((nm > 809) & (nm < 814))
    species = tuple(invented_species(name, parts[name], low, high) for name in names)
    missing = SpeciesEvidence(
        name="He I",
        verdict="not seen",
        significance=0.3,
        share=0.0,
        counts=12.0,
        standard_error=40.0,
        upper_limit=78.0,
        detection_limit=131.0,
        features=(),
        reason="Its strongest line at 587.56 nm is not there.",
    )
    blocked = SpeciesEvidence(
        name="NO",
        verdict="cannot tell",
        significance=0.0,
        share=0.0,
        counts=np.nan,
        standard_error=np.nan,
        upper_limit=np.nan,
        detection_limit=np.nan,
        features=(),
        reason="All of its bands lie below 300 nm, outside the range of this spectrum.",
    )
    return Fit(
        axis_nm=nm,
        data=model + sd * rng.standard_normal(pixels),
        model=model,
        background=background,
        standard_deviation=sd,
        used=used,
        species_model=parts,
        emitter_labels=tuple(names),
        amplitude=np.array([parts[n].sum() for n in names]),
        covariance=np.eye(len(names)),
        species=(*species, missing, blocked),
        shift_nm=0.11,
        shift_se_nm=0.02,
        fwhm_nm=1.4,
        chi2_reduced=1.04,
        mismatch=0.01,
        warnings=("3 pixels near 811.5 nm are saturated and were left out.",),
        temperatures=(
            Temperature(
                name="T_rot N2 C-B",
                kelvin=410.0,
                interval_k=(360.0, 470.0),
                reason="from the shape of the bands between 355 and 382 nm",
            ),
        ),
    )


def invented_species(name, part, low, high):
    features = tuple(
        Feature(
            label=f"{name} {at:.2f}" if name.endswith(" I") else f"{name} ({k},{k + 1})",
            wavelength_nm=at,
            counts=2600.0 * h,
            standard_error=60.0 + 20.0 * h,
            overlaps=("N2",) if name == "CN" else (),
            clean=name != "CN",
        )
        for k, (at, h) in enumerate(sorted(LINES[name], key=lambda line: -line[1]))
        if low < at < high
    )
    sure = name not in POSSIBLE
    return SpeciesEvidence(
        name=name,
        verdict="present" if sure else "possible",
        significance=24.0 if sure else 2.4,
        share=0.1,
        counts=float(part.sum()),
        standard_error=0.02 * float(part.sum()),
        upper_limit=1.04 * float(part.sum()),
        detection_limit=90.0,
        features=features,
        reason=f"{len(features)} features, the strongest stands out by itself."
        if sure
        else "Its only strong head lies under a band of N2.",
    )


def invented_run(verdict="reached", flashes=True, seed=5):
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, 1200.0, 4.0)
    trends = tuple(
        Trend(
            name=name,
            time_s=t,
            value=level * (np.exp(-t / tau) + floor) + noise * rng.standard_normal(t.size),
            standard_error=np.full(t.size, noise),
            used=np.ones(t.size, dtype=bool),
        )
        for name, level, tau, floor, noise in [
            ("CO/Ar I", 0.4, 180.0, 0.02, 0.006),
            ("OH/Ar I", 0.2, 120.0, 0.05, 0.004),
        ]
    )
    nan = float("nan")
    known = verdict in ("reached", "approaching")
    endpoint = Endpoint(
        verdict=verdict,
        time_s=540.0 if known else nan,
        interval_s=(510.0, 575.0) if known else (nan, nan),
        declared_at_s=600.0 if verdict == "reached" else nan,
        remaining_s={"reached": 0.0, "approaching": 340.0}.get(verdict, nan),
        remaining_interval_s={"reached": (0.0, 0.0), "approaching": (220.0, 610.0)}.get(verdict, (nan, nan)),
        indicator="CO/Ar I",
        criterion="excess below 5 % of its start with 95 % probability, for 60 s",
        reason="CO has come down to its floor and stays there." if known else "The signal is still falling.",
    )
    return RunResult(
        reference="Ar I",
        reference_reason="argon is in the feed gas",
        indicators=trends,
        endpoints={"CO/Ar I": endpoint},
        flashes=(
            Flash(time_s=48.0, duration_s=4.0, species=("Na I", "H I")),
            Flash(time_s=212.0, duration_s=8.0, species=("Al I",)),
        )
        if flashes
        else (),
        regimes=(Regime(start_s=0.0, end_s=1196.0, why="start of the run"),),
        alarms=(Alarm(kind="saturated", time_s=12.0, text="Three pixels are at the ceiling."),),
        endpoint=endpoint,
        frames=t.size,
        duration_s=1196.0,
    )
