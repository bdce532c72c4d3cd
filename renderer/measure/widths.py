"""Width of an echo along a profile."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.interpolate import BarycentricInterpolator
from scipy.optimize import brentq

from renderer.errors import SettingError
from renderer.measure.position import profile_peak

Array = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Width:
    """Full width of a peak at a level below its top, in the unit of the profile's axis.

    ``uncertainty`` is the difference that the way of interpolating makes: it speaks of the
    sampling, not of speckle or noise.
    """

    width: float
    left: float
    right: float
    uncertainty: float


def width_at(position: npt.ArrayLike, level_db: npt.ArrayLike, drop_db: float) -> Width:
    """Full width of the highest peak of a profile, ``drop_db`` below its top.

    The top is refined between samples; each side is the first crossing outwards from it, on a
    cubic through the four nearest samples in dB. Exact for a Gaussian peak.

    Parameters
    ----------
    position, level_db : (N,)
        Ascending axis, and levels in dB.
    drop_db
        Positive: 6 for the width at -6 dB.

    Raises
    ------
    SettingError
        If ``drop_db`` is not positive, or the profile does not fall that far on both sides.
    """
    if not drop_db > 0.0:
        raise SettingError(f"drop_db must be positive, got {drop_db!r}")
    place, level = np.asarray(position, float), np.asarray(level_db, float)
    wanted = profile_peak(place, level).level_db - drop_db
    top = int(np.nanargmax(level))
    right, right_straight = _crossing(place[top:], level[top:], wanted)
    left, left_straight = _crossing(place[top::-1], level[top::-1], wanted)
    doubt = float(np.hypot(right - right_straight, left - left_straight))
    return Width(right - left, left, right, doubt)


def _crossing(place: Array, level: Array, wanted: float) -> tuple[float, float]:
    """Where a profile first falls below a level: on a cubic through four samples, and on a chord."""
    below = np.flatnonzero(~(level > wanted))
    if below.size == 0 or not np.isfinite(level[below[0]]):
        raise SettingError(f"the profile does not fall to {wanted:.1f} dB on both sides of its peak")
    after = max(int(below[0]), 1)
    if level[after - 1] <= wanted:
        return float(place[0]), float(place[0])
    share = (level[after - 1] - wanted) / (level[after - 1] - level[after])
    chord = place[after - 1] + share * (place[after] - place[after - 1])
    nearby = slice(max(after - 2, 0), after + 2)
    if not np.isfinite(level[nearby]).all():
        return float(chord), float(chord)
    # Scaled to the gap that holds the crossing; a cubic is exact for a Gaussian, a parabola in dB.
    scaled = (place[nearby] - place[after - 1]) / (place[after] - place[after - 1])
    curve = BarycentricInterpolator(scaled, level[nearby])
    root = brentq(lambda t: float(curve(t)) - wanted, 0.0, 1.0)
    return float(place[after - 1] + root * (place[after] - place[after - 1])), float(chord)
