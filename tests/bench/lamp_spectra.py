"""Published lamp lines and spectra of them on a known axis, for the tests of this folder."""

import numpy as np
from lamp_fleet import spread_lines

# NIST Atomic Spectra Database (doi 10.18434/T4W30F), wavelengths in air, nm; read from the published lists
# W. C. Martin & W. L. Wiese, Handbook of Basic Atomic Spectroscopic Data (Sansonetti & Martin 2005), from memory.
NEON = {540.0562: 6, 585.2488: 45, 588.1895: 10, 594.4834: 18, 597.5534: 4, 602.9997: 6, 607.4338: 18,
        609.6163: 22, 614.3063: 35, 616.3594: 12, 621.7281: 12, 626.6495: 25, 630.4789: 7, 633.4428: 32,
        638.2991: 38, 640.2248: 75, 650.6528: 50, 653.2882: 13, 659.8953: 17, 667.8276: 28, 671.7043: 17,
        692.9467: 30, 702.4050: 6, 703.2413: 85, 717.3938: 20, 724.5167: 40, 743.8898: 18, 748.8871: 6,
        753.5774: 6, 754.4044: 5, 837.7608: 10}  # fmt: skip
MERCURY = {253.6517: 100, 296.728: 12, 312.567: 12, 313.17: 20, 365.0153: 50, 404.6563: 45, 407.7831: 5,
           435.8328: 100, 546.0735: 100, 576.9598: 25, 579.0663: 25}  # fmt: skip
ARGON = {696.5431: 20, 706.7218: 10, 727.2936: 3, 738.3980: 12, 750.3869: 25, 763.5106: 35, 772.3761: 15,
         794.8176: 12, 811.5311: 45, 826.4522: 15, 842.4648: 25, 912.2967: 30}  # fmt: skip


def spectrum(lines, nm, fwhm_nm=1.4, seed=0, scale=2000.0):
    """A lamp spectrum on a true axis, drawn by the independent simulator's line code."""
    rng = np.random.default_rng(seed)
    light = spread_lines(
        nm, np.abs(np.gradient(nm)), np.full(len(nm), fwhm_nm), np.array(list(lines)), np.array(list(lines.values())),
        0.0, 0.0,
    )  # fmt: skip
    return np.rint(rng.poisson(scale * light + 50.0) + rng.normal(900.0, 8.0, len(nm)))


def axis(pixels=2048, start=200.0, end=1000.0, bend=0.02, twist=0.004):
    x = np.linspace(-1, 1, pixels)
    return start + (end - start) * ((x + 1) / 2 + bend * (1 - x**2) + twist * (x - x**3) / 0.3849)
