"""What the air of the laboratory does to a calibrated axis: next to nothing, and here is how much.

A bench maps pixels to wavelengths in standard air by lines measured in the air at hand, so temperature and
pressure of the room cancel as long as they stay. Only a change between lamp and glow counts: 0.005 nm for 10 K
and 0.005 nm for 30 hPa at 600 nm, less than a tenth of what a cheap spectrometer can tell. A bench carried from
sea level to 1500 m is off by 0.03 nm, as a steady offset that a new calibration, or the plasma's own lines, remove.
So no setting is asked for.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from glowledger.tables.air import density_factor, refractivity, vacuum_from_air


def air_shift_nm(nm: ArrayLike, *, calibrated: tuple[float, float], used: tuple[float, float]) -> NDArray[np.float64]:
    """Return by how much lines seem to move when the air of the room changes after the calibration.

    Parameters
    ----------
    nm : array_like
        Wavelengths in standard air, nm.
    calibrated, used : (float, float)
        Temperature in °C and pressure in Pa of the air when the lamp and when the glow was recorded.

    Returns
    -------
    ndarray, same shape
        Believed minus true wavelength, nm: negative where the air has become denser. An upper bound: it takes
        the whole instrument for filled with that air and leaves out what temperature does to its metal, some
        0.01 to 0.06 nm per kelvin, which is far more.

    Notes
    -----
    λ_air = λ_vacuum / n; refractivity n - 1 by Ciddor (1996), scaled with density by Birch & Downs (1994).
    """
    air = np.asarray(nm, dtype=np.float64)
    n_minus_1 = refractivity(vacuum_from_air(air))
    change = density_factor(*used) - density_factor(*calibrated)
    return np.asarray(-air * n_minus_1 * change)
