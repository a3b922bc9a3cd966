"""Detectors that general-purpose libraries give, as a user would write them down in an hour."""

from __future__ import annotations

import numpy as np


def moving_slope(t: np.ndarray, y: np.ndarray, width: int = 60) -> float:
    """Moving-average slope below 5 % of the steepest so far, ten frames in a row."""
    x = np.arange(width) - (width - 1) / 2
    slopes = np.array([np.polyfit(x, y[i : i + width], 1)[0] for i in range(len(y) - width + 1)])
    steepest = np.maximum.accumulate(-slopes)
    calm = -slopes < 0.05 * steepest
    row = np.convolve(calm, np.ones(10), mode="valid") >= 10
    return float(t[np.argmax(row) + 9 + width - 1]) if row.any() else np.nan


def change_points(t: np.ndarray, y: np.ndarray) -> float:
    """Offline: last change of mean by ruptures (Pelt, least squares)."""
    import ruptures

    sigma = 1.4826 * np.median(np.abs(np.diff(y))) / np.sqrt(2)
    found = ruptures.Pelt(model="l2", min_size=20, jump=5).fit(y).predict(pen=3 * sigma**2 * np.log(len(y)))
    return float(t[found[-2]]) if len(found) > 1 else np.nan


def refit(t: np.ndarray, y: np.ndarray, guard: float = 0.0) -> float:
    """scipy refit every five frames with a robust loss; three in a row below 5 %, tau raised by `guard` errors."""
    from scipy.optimize import curve_fit

    sigma = 1.4826 * np.median(np.abs(np.diff(y))) / np.sqrt(2)
    row = 0
    for n in range(30, len(t) + 1, 5):
        try:
            found, covariance = curve_fit(
                lambda x, f, a, k: f + a * np.exp(-x / k), t[:n], y[:n],
                p0=(y[n - 1], max(y[0] - y[n - 1], 0.1), t[n - 1] / 3),
                sigma=np.full(n, sigma), loss="soft_l1", method="trf", max_nfev=200,
                bounds=([-np.inf, 0, 1], [np.inf, np.inf, 1e5]),
            )  # fmt: skip
            tau = found[2] + guard * np.sqrt(covariance[2, 2])
        except RuntimeError:
            tau = np.inf
        row = row + 1 if np.exp(-t[n - 1] / tau) < 0.05 else 0
        if row >= 3:
            return float(t[n - 1])
    return np.nan


RIVALS = {  # name: (detector, frames from one look to the next; 0 looks once, when all is over)
    "moving slope, 60 frames": (moving_slope, 1),
    "ruptures Pelt (offline)": (change_points, 0),
    "scipy refit, soft_l1": (refit, 5),
    "scipy refit, 95 % guard": (lambda t, y: refit(t, y, 1.645), 5),
}
