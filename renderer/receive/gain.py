"""Gain of the receiver: overall, with depth, and across the picture."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from renderer.receive.settings import ReceiveSettings
from renderer.units import MM_PER_CM

Array = npt.NDArray[np.floating]


def slider_curve_db(position: Array, sliders_db: tuple[float, ...]) -> Array:
    """Gain of a row of sliders, dB, at positions 0..1 along the row.

    Slider i of n sits at (i + 1/2)/n; the gain is linear in dB between sliders and flat beyond
    the first and the last.
    """
    n = len(sliders_db)
    return np.interp(position, (np.arange(n) + 0.5) / n, sliders_db)


def gain_curve_db(
    depth_mm: Array,
    settings: ReceiveSettings,
    *,
    frequency_mhz: float,
    full_depth_mm: float,
    flat_field_db: Array | None = None,
) -> Array:
    """Gain of the receiver along a line, dB.

    The sum of the overall gain, the automatic slope (there and back: twice the one-way loss,
    times frequency and depth), the depth sliders, and the maker's flat-field curve.

    Parameters
    ----------
    depth_mm
        (T,) displayed depth: assumed speed times delay / 2, along the line.
    full_depth_mm
        Depth of the picture, over which the sliders are spread.
    flat_field_db
        (T,) or (V, T) curve to add; used only with ``settings.flat_field``.

    Returns
    -------
    (T,) or (V, T), dB
    """
    depth_mm = np.asarray(depth_mm, np.float64)
    slope_db = 2.0 * settings.tgc_slope_db_cm_mhz * frequency_mhz * depth_mm / MM_PER_CM
    curve = settings.gain_db + slope_db + slider_curve_db(depth_mm / full_depth_mm, settings.tgc_db)
    if settings.flat_field and flat_field_db is not None:
        curve = curve + flat_field_db
    return curve


def lateral_gain_db(n_lines: int, settings: ReceiveSettings) -> Array:
    """Gain of each line from the lateral sliders, which are spread over the lines, dB, (L,)."""
    return slider_curve_db((np.arange(n_lines) + 0.5) / n_lines, settings.lateral_gain_db)
