"""Where an echo is shown, and how bright it is there, finer than the grid."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from renderer.errors import SettingError

Array = npt.NDArray[np.floating]


@dataclass(frozen=True)
class Peak:
    """A peak of a profile: position (unit of the profile's axis) and level, dB."""

    position: float
    level_db: float


@dataclass(frozen=True)
class PicturePeak:
    """A peak of a picture: its place, mm in the probe frame, and its level, dB."""

    x_mm: float
    z_mm: float
    level_db: float


def profile_peak(position: npt.ArrayLike, level_db: npt.ArrayLike) -> Peak:
    """Highest point of a profile, by a parabola through its three highest neighbours in dB.

    Exact for a Gaussian peak on an even grid, whose level in dB is a parabola; for other smooth
    peaks wider than three samples the position is good to a few hundredths of a sample. At the
    first or last sample there is no parabola, and that sample is returned.

    Raises
    ------
    SettingError
        If no level is finite.
    """
    place, level = np.asarray(position, float), np.asarray(level_db, float)
    if not np.isfinite(level).any():
        raise SettingError("the profile has no finite level")
    top = int(np.nanargmax(level))
    if top in (0, len(level) - 1) or not np.isfinite(level[top - 1 : top + 2]).all():
        return Peak(float(place[top]), float(level[top]))
    shift, height = _vertex(*level[top - 1 : top + 2])
    return Peak(float(place[top] + shift * (place[top + 1] - place[top - 1]) / 2), height)


def picture_peak(
    level_db: Array, x_mm: Array, z_mm: Array, *, near_mm: tuple[float, float], within_mm: float
) -> PicturePeak:
    """Brightest point of a level picture within a distance of a place, finer than a pixel.

    ``near_mm`` is (x, z) in the probe frame. Each axis is refined by its own parabola in dB.

    Raises
    ------
    SettingError
        If nothing in view lies within the distance.
    """
    away = np.hypot(x_mm[None, :] - near_mm[0], z_mm[:, None] - near_mm[1])
    searched = np.where((away <= within_mm) & np.isfinite(level_db), level_db, -np.inf)
    if not np.isfinite(searched).any():
        raise SettingError(
            f"nothing in view within {within_mm:g} mm of x {near_mm[0]:g}, z {near_mm[1]:g} mm"
        )
    row, column = np.unravel_index(int(np.argmax(searched)), searched.shape)
    across = _peak_around(x_mm, level_db[row, :], int(column))
    down = _peak_around(z_mm, level_db[:, column], int(row))
    level = across.level_db + down.level_db - float(level_db[row, column])
    return PicturePeak(across.position, down.position, level)


def _peak_around(position: Array, level_db: Array, index: int) -> Peak:
    """Peak of the three samples round an index."""
    nearby = slice(max(index - 1, 0), index + 2)
    return profile_peak(position[nearby], level_db[nearby])


def _vertex(before: float, middle: float, after: float) -> tuple[float, float]:
    """Place, in samples from the middle, and height of the parabola through three samples."""
    bend = before - 2.0 * middle + after
    if bend >= 0.0:
        return 0.0, float(middle)
    shift = 0.5 * (before - after) / bend
    return float(shift), float(middle - 0.25 * (before - after) * shift)
