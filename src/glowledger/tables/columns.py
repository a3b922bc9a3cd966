"""What the line tables have in common: columns of one length, read-only, chosen by row."""

from __future__ import annotations

from dataclasses import fields
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray


class Columns:
    """Base of frozen dataclasses whose fields are all arrays of one shape (m,)."""

    __slots__ = ()
    wavelength_nm: NDArray[np.float64]

    def __post_init__(self) -> None:
        shape = np.shape(self.wavelength_nm)
        for name, column in self._columns().items():
            array = np.asarray(column)
            if array.shape != shape:
                raise ValueError(f"{name} has shape {array.shape}, wavelength_nm has {shape}")
            array.flags.writeable = False
            object.__setattr__(self, name, array)

    def __len__(self) -> int:
        return len(self.wavelength_nm)

    def __getitem__(self, rows: slice | NDArray[np.intp] | NDArray[np.bool_]) -> Self:
        """Return the chosen rows."""
        return type(self)(**{name: column[rows] for name, column in self._columns().items()})

    def _columns(self) -> dict[str, Any]:
        return {item.name: getattr(self, item.name) for item in fields(self)}  # type: ignore[arg-type]
