"""The picture grid: pixel centres in the probe frame and what lies in view."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from renderer.errors import SettingError
from renderer.frame import kernels

Array = npt.NDArray[np.float64]

# Pixels of a picture of unknown size: near 700 rows, from steps that people can count with.
ROWS_WANTED = 700
PIXEL_STEPS_MM = (0.01, 0.02, 0.025, 0.03, 0.04, 0.05, 0.06, 0.08, 0.1, 0.15, 0.2, 0.25, 0.3, 0.4, 0.5, 1.0)

# Slack when a picture edge falls on a pixel edge, in pixels: rounding must not add a row.
EDGE_SLACK_PX = 1e-6


@dataclass(frozen=True)
class PictureGrid:
    """Pixel centres of a picture, mm in the probe frame.

    ``x_mm`` (W,) and ``z_mm`` (H,) ascend in steps of ``pixel_mm``; ``in_view`` (H, W) is true
    where a line of the picture passes. Pixel edges fall on whole multiples of ``pixel_mm`` from
    the middle of the face.
    """

    x_mm: Array
    z_mm: Array
    pixel_mm: float
    in_view: npt.NDArray[np.bool_]


def default_pixel_mm(depth_mm: float) -> float:
    """Round pixel size, mm, that gives near 700 rows for a depth."""
    wanted = depth_mm / ROWS_WANTED
    return min(PIXEL_STEPS_MM, key=lambda step: abs(np.log(step / wanted)))


def plane_lines(line_origin_mm: npt.ArrayLike, line_direction: npt.ArrayLike) -> tuple[Array, Array]:
    """Line origins and unit directions as (L, 2) of (x, z), from (L, 2) or (L, 3).

    Raises
    ------
    SettingError
        If there are fewer than two lines: one line spans no picture.
    """
    origin, direction = np.asarray(line_origin_mm, np.float64), np.asarray(line_direction, np.float64)
    if len(origin) < 2:
        raise SettingError(f"a picture needs at least 2 lines, got {len(origin)}")
    if origin.shape[1] == 3:
        origin, direction = origin[:, [0, 2]], direction[:, [0, 2]]
    direction = direction / np.linalg.norm(direction, axis=1, keepdims=True)
    return np.ascontiguousarray(origin), np.ascontiguousarray(direction)


def locate(
    grid_x_mm: Array, grid_z_mm: Array, line_origin_mm: npt.ArrayLike, line_direction: npt.ArrayLike
) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.float32]]:
    """Line coordinate and depth along the line, mm, of every pixel, (H, W) float32 each.

    The coordinate runs from -1/2 to L - 1/2: the outer lines own half a gap beyond themselves,
    as inner lines do on each side. NaN where no line passes, and behind the face.
    """
    origin, direction = plane_lines(line_origin_mm, line_direction)
    shape = len(grid_z_mm), len(grid_x_mm)
    line, depth = np.empty(shape, np.float32), np.empty(shape, np.float32)
    kernels.locate_pixels(origin, direction, grid_x_mm, grid_z_mm, line, depth)
    return line, depth


def picture_grid(
    line_origin_mm: npt.ArrayLike,
    line_direction: npt.ArrayLike,
    depth_mm: float,
    pixel_mm: float | None = None,
) -> PictureGrid:
    """Smallest grid that holds all lines of a picture down to a depth.

    Parameters
    ----------
    line_origin_mm, line_direction : (L, 2) or (L, 3)
        Lines in the probe frame, from left to right; (x, z) or (x, y, z).
    depth_mm
        Depth along each line.
    pixel_mm
        Side of a pixel; None: chosen from the depth.

    Raises
    ------
    SettingError
        If the pixel is not positive, or there are fewer than two lines.
    """
    if pixel_mm is None:
        pixel_mm = default_pixel_mm(depth_mm)
    if not pixel_mm > 0.0:
        raise SettingError(f"pixel_mm must be positive, got {pixel_mm!r}")
    origin, direction = plane_lines(line_origin_mm, line_direction)
    edges = _outer_half_lines(origin), _outer_half_lines(direction)
    corners = np.concatenate(
        [edges[0], edges[0] + edges[1] * depth_mm, origin, origin + direction * depth_mm]
    )
    x_mm, z_mm = (_centres(corners[:, axis], pixel_mm) for axis in (0, 1))
    line, depth = locate(x_mm, z_mm, origin, direction)
    in_view = np.isfinite(line) & (depth <= depth_mm)
    return PictureGrid(x_mm=x_mm, z_mm=z_mm, pixel_mm=pixel_mm, in_view=in_view)


def same_grid(one: PictureGrid, other: PictureGrid) -> bool:
    """Whether two pictures have the same pixels."""
    return np.array_equal(one.x_mm, other.x_mm) and np.array_equal(one.z_mm, other.z_mm)


def pad_grid(grid: PictureGrid, n_rows: int, n_columns: int) -> PictureGrid:
    """The same picture on a larger grid: rows added below, columns on both sides, out of view.

    Raises
    ------
    SettingError
        If the wanted size is smaller than the picture: that needs larger pixels, not a crop.
    """
    rows, columns = grid.in_view.shape
    if n_rows < rows or n_columns < columns:
        raise SettingError(f"a picture of {rows} x {columns} pixels does not fit {n_rows} x {n_columns}")
    left = (n_columns - columns) // 2
    x_mm = grid.x_mm[0] + (np.arange(n_columns) - left) * grid.pixel_mm
    z_mm = grid.z_mm[0] + np.arange(n_rows) * grid.pixel_mm
    in_view = np.zeros((n_rows, n_columns), bool)
    in_view[:rows, left : left + columns] = grid.in_view
    return PictureGrid(x_mm=x_mm, z_mm=z_mm, pixel_mm=grid.pixel_mm, in_view=in_view)


def _outer_half_lines(per_line: Array) -> Array:
    """Values half a line beyond the first and the last line, by continuation, (2, 2)."""
    first = per_line[0] - 0.5 * (per_line[1] - per_line[0])
    last = per_line[-1] + 0.5 * (per_line[-1] - per_line[-2])
    return np.stack([first, last])


def _centres(values_mm: Array, pixel_mm: float) -> Array:
    """Centres of the pixels that cover a range of values, edges on multiples of the pixel; at least two."""
    first = int(np.floor(values_mm.min() / pixel_mm + EDGE_SLACK_PX))
    last = max(int(np.ceil(values_mm.max() / pixel_mm - EDGE_SLACK_PX)), first + 2)
    return np.asarray((np.arange(first, last) + 0.5) * pixel_mm, np.float64)
