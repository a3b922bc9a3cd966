"""What was left of an excess when conditions changed, and what its uncertainty does to the time of the end."""

from __future__ import annotations

import math
from dataclasses import dataclass

LEAST = 1e-6  # less is never carried over
APART = 0.3  # of the end's time: so far from the end the rate about it can be told


@dataclass(frozen=True, slots=True, kw_only=True)
class CarriedOver:
    """Part of the first starting excess that was left when the present conditions began.

    Attributes
    ----------
    low, middle, high : float
        Its 2.5, 50 and 97.5 % points; 1 where nothing is known.
    """

    low: float = 1.0
    middle: float = 1.0
    high: float = 1.0

    def then(self, left: tuple[float, float, float]) -> CarriedOver:
        """Return what is carried over when `left` (2.5, 50, 97.5 % points) of the present excess is left."""
        low, middle, high = (
            min(max(before * now, LEAST), 1.0)
            for before, now in zip((self.low, self.middle, self.high), left, strict=True)
        )
        return CarriedOver(low=low, middle=middle, high=high)

    def sooner(self, fraction: float, end: float, now: float, left: float) -> tuple[float, float]:
        """Return how much sooner the end came if `low`, and if `middle`, was carried over instead of `high`, s.

        Parameters
        ----------
        fraction : float
            Part of the present starting excess at which the decay ends if `high` was carried over.
        end, now : float
            When that is, and now, s from the start of the present conditions.
        left : float
            Part of the present starting excess that is left now.

        Returns
        -------
        tuple of float
            For an excess that falls exponentially about its end: at the mean rate from there to now, where these are
            well apart (a slow second part makes it slower there), else at that from the start to the end.
        """
        if self.low >= self.high:
            return 0.0, 0.0
        rate = -math.log(fraction) / max(end, 1e-9)
        if abs(now - end) > APART * end and 0.0 < left < 1.0:
            rate = abs(math.log(left / fraction) / (now - end)) or rate
        return math.log(self.high / self.low) / rate, math.log(self.high / self.middle) / rate
