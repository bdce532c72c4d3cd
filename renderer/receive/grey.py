"""From level to grey: edge enhancement, persistence, reject and the grey map."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from renderer.receive import kernels
from renderer.receive.settings import ReceiveSettings

Levels = npt.NDArray[np.float32]

# Curvature of the soft map, G = 255 (exp(k t) - 1) / (exp(k) - 1) with t = 0 at black and 1 at
# white. Speckle of mean intensity -38 dB has E[exp(k t)] = exp(k 26/64) Gamma(1 + 10 k / (64 ln 10))
# on a 64 dB range (moments of the exponential law), so k = 1.74 puts the mean grey of the
# reference tissue at 50: about a fifth of full grey, as in clinical pictures of soft tissue.
SOFT_EXPONENT = 1.74

# Widest edge halo, dB, either way: more turns every bright wall into a white line in a black moat.
EDGE_HALO_DB = 6.0
EDGE_RADIUS_PX = 1.5


def grey_level(level_db: Levels, settings: ReceiveSettings) -> npt.NDArray[np.uint8]:
    """Grey picture of a level picture.

    White (255) is full scale, 0 dB; black (0) is ``-dynamic_range_db``; levels below
    ``reject_db`` are black; NaN (out of view) is black. The ``soft`` map is convex in dB, the
    ``linear`` map is straight. Nothing is scaled by the picture's own extremes.

    Parameters
    ----------
    level_db : (H, W) float32, dB re full scale

    Returns
    -------
    (H, W) uint8
    """
    level = np.ascontiguousarray(level_db, np.float32)
    grey = np.empty(level.shape, np.uint8)
    exponent = SOFT_EXPONENT if settings.grey_map == "soft" else 0.0
    reject = -np.inf if settings.reject_db is None else settings.reject_db
    kernels.level_to_grey(
        level.reshape(-1),
        np.float32(settings.dynamic_range_db),
        np.float32(reject),
        np.float32(exponent),
        grey.reshape(-1),
    )
    return grey


def displayed_floor_db(settings: ReceiveSettings) -> float:
    """Level at and below which the picture is black, dB re full scale."""
    floor = -settings.dynamic_range_db
    return floor if settings.reject_db is None else max(floor, settings.reject_db)


def enhance_edges(
    level_db: Levels,
    strength: float,
    *,
    floor_db: float,
    radius_px: float = EDGE_RADIUS_PX,
    halo_db: float = EDGE_HALO_DB,
) -> Levels:
    """Level picture with its edges steepened (unsharp mask in dB).

    Adds ``strength`` times the difference from a Gaussian blur, held within ``halo_db`` either
    way: that is the bright and dark seam beside an edge. Levels below ``floor_db`` count as
    ``floor_db``, or a deep null would dim all that surrounds it. NaN stays NaN and does not
    spread. With strength 0 the picture is returned as it came.
    """
    if strength == 0.0:
        return level_db
    seen = np.isfinite(level_db)
    filled = np.where(seen, np.maximum(level_db, floor_db), 0.0).astype(np.float32)
    weight = ndimage.gaussian_filter(seen.astype(np.float32), radius_px)
    blurred = ndimage.gaussian_filter(filled, radius_px) / np.maximum(weight, 1e-6)
    seam = np.clip(strength * (filled - blurred), -halo_db, halo_db)
    return np.where(seen, level_db + seam, level_db).astype(np.float32)


def persist(previous_db: Levels, new_db: Levels, weight: float) -> Levels:
    """Running average of the level picture, dB.

    ``weight`` (0..1) is the share of the picture so far. Where it has no value (NaN), the new
    picture stands alone; out of the new view there is no value.
    """
    mixed = np.float32(weight) * previous_db + np.float32(1.0 - weight) * new_db
    return np.where(np.isfinite(previous_db), mixed, new_db).astype(np.float32)


def picture_grey(
    level_db: Levels, settings: ReceiveSettings, previous_db: Levels | None = None
) -> tuple[npt.NDArray[np.uint8], Levels]:
    """Grey picture with the display filters in force, and the level picture to persist next.

    The order is that of a machine: frame averaging, edge enhancement, reject and map.
    ``previous_db`` is the second value that the last frame gave; None for a first frame.
    """
    shown = level_db
    if previous_db is not None and settings.persistence > 0.0:
        shown = persist(previous_db, level_db, settings.persistence)
    sharp = enhance_edges(shown, settings.edge_enhancement, floor_db=displayed_floor_db(settings))
    return grey_level(sharp, settings), shown
