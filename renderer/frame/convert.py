"""Scan conversion: from lines and samples to pixels.

What is interpolated, and why. Interpolating the *complex* lines keeps speckle exactly Rayleigh,
but lines of noise (independent of each other) lose 3 dB halfway between lines, echoes that shift
by more than a quarter wave from line to line cancel there, and the centre frequency that sinks
with depth beats with the samples: three kinds of moire. Interpolating *decibels* lets nulls
spread. So the *envelope amplitude* is interpolated: its mean does not depend on where a pixel
falls between lines, whatever the correlation of the lines.

Which taps. Averaging neighbours narrows speckle, more so halfway between lines than on them, and
that ripple of its spread is the moire that remains. The cubic taps of Mitchell and Netravali
(Reconstruction filters in computer graphics, 1988, B = C = 1/3; from memory) smooth by 0.33 line
rms everywhere and so halve the ripple of both linear and cardinal cubic interpolation. For a beam
of two line gaps at -6 dB the level ripples by 0.16 dB and the log spread by 0.4 dB round 4.7 dB
(against 5.57 dB on the lines); linear interpolation ripples by 0.5 and 1.4 dB.

Along a line the same ripple would beat between rows and samples and make bands. So the envelope
comes at twice the sample rate, interpolated before detection, and linear interpolation between
its values costs 0.1 to 0.2 dB of spread. Statistics of the sound are measured on lines, those of
the picture on pixels.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from renderer.errors import SettingError
from renderer.frame import kernels
from renderer.frame.grid import PictureGrid, locate, plane_lines

Field = npt.NDArray[np.float32]

# A pixel that covers more lines than this gets the lines smoothed first.
LINES_PER_PIXEL = 1.5


@dataclass(frozen=True)
class ScanMap:
    """Where each pixel lies on the lines; made once for a plan, a grid and a set of views.

    ``line`` and ``sample`` (V, H, W) are coordinates among lines and samples, NaN where a view
    does not reach; ``in_view`` (H, W) is where the picture has a value.
    """

    line: Field
    sample: Field
    in_view: npt.NDArray[np.bool_]
    n_samples: int
    pixel_samples: float
    lines_per_pixel: float

    @property
    def n_views(self) -> int:
        """Number of views that are averaged."""
        return len(self.line)


def scan_map(
    grid: PictureGrid,
    line_origin_mm: npt.ArrayLike,
    line_direction: npt.ArrayLike,
    time_us: npt.NDArray[np.floating],
    assumed_speed_mm_per_us: float,
) -> ScanMap:
    """The map from pixels to lines and samples.

    Lines may be parallel (steered or not), a fan, or a steered fan: each pixel is placed between
    the two lines that it lies between, whatever their pattern.

    Parameters
    ----------
    line_origin_mm, line_direction
        (L, 2 or 3) for one view, or (V, L, 2 or 3).
    time_us
        (T,) evenly spaced delays of the samples.

    Raises
    ------
    SettingError
        If the samples are fewer than two or not evenly spaced.
    """
    time = np.asarray(time_us, np.float64)
    if len(time) < 2 or not np.allclose(np.diff(time), time[1] - time[0], rtol=1e-4):
        raise SettingError("time_us must hold at least 2 evenly spaced samples")
    origins, directions = np.asarray(line_origin_mm, np.float64), np.asarray(line_direction, np.float64)
    if origins.ndim == 2:
        origins, directions = origins[None], directions[None]
    step_us = float(time[-1] - time[0]) / (len(time) - 1)
    half_mm = 0.25 * assumed_speed_mm_per_us * float(time[-1])  # half of the depth
    views = []
    for origin, direction in zip(origins, directions, strict=True):
        line, depth = locate(grid.x_mm, grid.z_mm, origin, direction)
        sample = (2.0 * depth.astype(np.float64) / assumed_speed_mm_per_us - time[0]) / step_us
        reached = np.isfinite(line) & (sample >= -0.5) & (sample <= len(time) - 0.5)
        views.append((np.where(reached, line, np.nan), np.where(reached, sample, np.nan)))
    line = np.stack([view[0] for view in views]).astype(np.float32)
    sample_map = np.stack([view[1] for view in views]).astype(np.float32)
    return ScanMap(
        line=line,
        sample=sample_map,
        in_view=grid.in_view & np.isfinite(line).any(axis=0),
        n_samples=len(time),
        pixel_samples=2.0 * grid.pixel_mm / assumed_speed_mm_per_us / step_us,
        lines_per_pixel=grid.pixel_mm / _line_gap_mm(origins[0], directions[0], half_mm),
    )


def picture_level(amplitude: Field, scan: ScanMap) -> Field:
    """Level picture of detected lines, dB re full scale.

    Parameters
    ----------
    amplitude : (V, L, F (T - 1) + 1) float32
        Envelopes after gain, full scale = 1, with F values a sample of the scan map (1, or 2 as
        ``renderer.receive.chain.lines_to_amplitude`` gives them).

    Returns
    -------
    (H, W) float32
        Views averaged as amplitudes where they reach; NaN out of view; not clipped.

    Raises
    ------
    SettingError
        If the lines do not belong to the map.
    """
    level = np.empty(scan.in_view.shape, np.float32)
    fineness, rest = divmod(amplitude.shape[2] - 1, scan.n_samples - 1)
    if fineness < 1 or rest or len(amplitude) != scan.n_views:
        raise SettingError(
            f"lines of {amplitude.shape[2]} values in {len(amplitude)} views do not belong to a map of "
            f"{scan.n_samples} samples in {scan.n_views} views"
        )
    lines = _smooth_across(np.ascontiguousarray(amplitude, np.float32), scan.lines_per_pixel)
    kernels.picture_level(lines, np.float32(fineness), scan.line, scan.sample, scan.in_view, level)
    return level


def soft_picture(values: Field, scan: ScanMap, view: int = 0) -> Field:
    """Picture of a soft field on lines, bilinear, (H, W) float32, NaN out of view.

    Parameters
    ----------
    values : (L, T) float32
        Any unit; NaN where there is no value. NaN is left out of the average, not spread, and a
        pixel whose nearest sample is NaN is NaN.
    """
    picture = np.empty(scan.in_view.shape, np.float32)
    kernels.soft_picture(
        np.ascontiguousarray(values, np.float32), scan.line[view], scan.sample[view], picture
    )
    picture[~scan.in_view] = np.nan
    return picture


def nearest_picture(
    labels: npt.NDArray[np.integer], scan: ScanMap, outside: int, view: int = 0
) -> npt.NDArray[np.integer]:
    """Picture of integers on lines, each pixel from its nearest line and sample, never mixed.

    Parameters
    ----------
    labels : (L, T), any integer type whose values fit 32 bits with sign
    outside
        Value out of view.

    Returns
    -------
    (H, W), type of ``labels``
    """
    picture = np.empty(scan.in_view.shape, np.int32)
    lines = np.ascontiguousarray(labels, np.int32)
    kernels.nearest_picture(lines, scan.line[view], scan.sample[view], np.int32(outside), picture)
    picture[~scan.in_view] = outside
    return picture.astype(labels.dtype)


def _smooth_across(amplitude: Field, lines_per_pixel: float) -> Field:
    """Lines smoothed over the width of a pixel that covers several of them; else as they came."""
    if lines_per_pixel <= LINES_PER_PIXEL:
        return amplitude
    half = int(np.ceil(lines_per_pixel)) - 1
    taps = 1.0 - np.abs(np.arange(-half, half + 1)) / lines_per_pixel
    n_lines = amplitude.shape[1]
    nearby = np.clip(np.arange(n_lines)[:, None] + np.arange(-half, half + 1), 0, n_lines - 1)
    mixed = np.einsum("vlkt,k->vlt", amplitude[:, nearby], taps / taps.sum())
    return np.ascontiguousarray(mixed, np.float32)


def _line_gap_mm(
    origin_mm: npt.NDArray[np.float64], direction: npt.NDArray[np.float64], at_mm: float
) -> float:
    """Mean gap between neighbouring lines at a distance along them, mm.

    A fan is denser near the face, but the beam there is as wide as several elements, its lines are alike, and there is
    nothing between them that a pixel could miss.
    """
    origin, along = plane_lines(origin_mm, direction)
    gap_mm = float(np.mean(np.linalg.norm(np.diff(origin + at_mm * along, axis=0), axis=1)))
    return gap_mm if gap_mm > 1e-9 else float("inf")
