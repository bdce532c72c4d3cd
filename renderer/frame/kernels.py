"""Compiled loops of scan conversion.

Each kernel has one fixed signature and writes each picture row from one thread, so the number of
threads cannot change a bit of the result. Inputs are declared read-only, which accepts writable
arrays as well.
"""

# mypy: allow-untyped-defs
from __future__ import annotations

import math

import numpy as np
from numba import njit, types

from renderer.jit import row_kernel

F4 = types.float32
I8 = types.int64
F8 = types.float64
F4_2 = types.Array(F4, 2, "C", readonly=True)
F4_3 = types.Array(F4, 3, "C", readonly=True)
F8_1 = types.Array(F8, 1, "C", readonly=True)
F8_2 = types.Array(F8, 2, "C", readonly=True)
I4_2 = types.Array(types.int32, 2, "C", readonly=True)
B1_2 = types.Array(types.boolean, 2, "C", readonly=True)
OUT_F4_2 = types.Array(F4, 2, "C")

DB_PER_LN = np.float32(20.0 / math.log(10.0))
SMALLEST = np.float32(1e-15)  # -300 dB


@njit(F8(F8_2, F8_2, types.int64, F8, F8), inline="always", error_model="numpy", cache=True)
def _beside(origin, direction, line, x, z):
    """Distance of a point from a line, mm, positive to the line's right when seen down the beam."""
    return (x - origin[line, 0]) * direction[line, 1] - (z - origin[line, 1]) * direction[line, 0]


@row_kernel("line_of_pixel", signature=types.void(I8, I8, F8_2, F8_2, F8_1, F8_1, OUT_F4_2, OUT_F4_2))
def locate_pixels(start, stop, origin, direction, x, z, line_of_pixel, depth_of_pixel):
    """Fill (H, W) with the line coordinate and the depth along that line, mm; NaN out of reach.

    ``origin`` and ``direction`` are (L, 2) as (x, z), ordered from left to right. A point
    between two lines divides the gap as its distances from both do: exact for parallel lines,
    and to the third order in the small angle between two lines of a fan.
    """
    last = origin.shape[0] - 1
    for row in range(start, stop):
        for col in range(x.size):
            line_of_pixel[row, col] = np.nan
            depth_of_pixel[row, col] = np.nan
            px, pz = x[col], z[row]
            # Find the two lines that the point lies between; beyond the ends, the end pair
            low, high = 0, last
            while high - low > 1:
                middle = (low + high) // 2
                if _beside(origin, direction, middle, px, pz) >= 0.0:
                    low = middle
                else:
                    high = middle
            left = _beside(origin, direction, low, px, pz)
            right = _beside(origin, direction, high, px, pz)
            if left == right:
                continue
            share = left / (left - right)
            if low + share < -0.5 or low + share > last + 0.5:
                continue
            # Measure the depth from the face between the two origins
            ox = origin[low, 0] + share * (origin[high, 0] - origin[low, 0])
            oz = origin[low, 1] + share * (origin[high, 1] - origin[low, 1])
            ahead = (px - ox) * direction[low, 0] + (pz - oz) * direction[low, 1]
            if ahead < 0.0:
                continue
            line_of_pixel[row, col] = np.float32(low + share)
            depth_of_pixel[row, col] = np.float32(math.hypot(px - ox, pz - oz))


@row_kernel("level", signature=types.void(I8, I8, F4_3, F4, F4_3, F4_3, B1_2, OUT_F4_2))
def picture_level(start, stop, amplitude, fineness, line_of_pixel, sample_of_pixel, in_view, level):
    """Fill (H, W) with the level in dB of detected lines (V, L, F (T - 1) + 1), the views averaged.

    The maps are (V, H, W), NaN where a view does not reach. Across the lines the four taps are
    those of Mitchell and Netravali (B = C = 1/3); along a line the interpolation is linear.
    """
    n_views, n_lines, n_samples = amplitude.shape
    n_rows, n_cols = level.shape
    for row in range(start, stop):
        for col in range(n_cols):
            level[row, col] = np.nan
            if not in_view[row, col]:
                continue
            total = np.float32(0.0)
            count = np.float32(0.0)
            for view in range(n_views):
                u = line_of_pixel[view, row, col]
                v = sample_of_pixel[view, row, col]
                if np.isnan(u) or np.isnan(v):
                    continue
                # Weigh the four lines around the pixel
                u = max(u, np.float32(0.0))
                i = min(int(u), n_lines - 2)
                t = min(u - np.float32(i), np.float32(1.0))
                r = np.float32(1.0) - t
                t2, r2 = t * t, r * r
                wa = r2 * (np.float32(7 / 18) * r - np.float32(1 / 3))
                wd = t2 * (np.float32(7 / 18) * t - np.float32(1 / 3))
                wb = np.float32(8 / 9) + t2 * (np.float32(7 / 6) * t - np.float32(2.0))
                wc = np.float32(8 / 9) + r2 * (np.float32(7 / 6) * r - np.float32(2.0))
                # Sample them at the pixel's time
                v = min(max(v * fineness, np.float32(0.0)), np.float32(n_samples - 1))
                j = min(int(v), n_samples - 2)
                g = v - np.float32(j)
                h = np.float32(1.0) - g
                ia, id_ = max(i - 1, 0), min(i + 2, n_lines - 1)
                a = h * amplitude[view, ia, j] + g * amplitude[view, ia, j + 1]
                b = h * amplitude[view, i, j] + g * amplitude[view, i, j + 1]
                c = h * amplitude[view, i + 1, j] + g * amplitude[view, i + 1, j + 1]
                d = h * amplitude[view, id_, j] + g * amplitude[view, id_, j + 1]
                # The negative lobes beside a bright echo must not dig a hole below its surroundings
                lowest = np.float32(0.5) * min(min(a, b), min(c, d))
                total += max(wa * a + wb * b + wc * c + wd * d, lowest)
                count += np.float32(1.0)
            if count > np.float32(0.0):
                mean = max(total / count, SMALLEST)
                level[row, col] = DB_PER_LN * np.log(mean)


@row_kernel("picture", signature=types.void(I8, I8, F4_2, F4_2, F4_2, OUT_F4_2))
def soft_picture(start, stop, values, line_of_pixel, sample_of_pixel, picture):
    """Fill (H, W) with a field on lines (L, T), bilinear; neighbours without a value are left out.

    NaN where the nearest neighbour has none: a field ends where it ended on the lines.
    """
    n_lines, n_samples = values.shape
    n_rows, n_cols = picture.shape
    for row in range(start, stop):
        for col in range(n_cols):
            picture[row, col] = np.nan
            u = line_of_pixel[row, col]
            v = sample_of_pixel[row, col]
            if np.isnan(u) or np.isnan(v):
                continue
            u = min(max(u, np.float32(0.0)), np.float32(n_lines - 1))
            v = min(max(v, np.float32(0.0)), np.float32(n_samples - 1))
            nearest = values[int(u + np.float32(0.5)), int(v + np.float32(0.5))]
            if np.isnan(nearest):
                continue
            i, j = min(int(u), n_lines - 2), min(int(v), n_samples - 2)
            f, g = u - np.float32(i), v - np.float32(j)
            total = np.float32(0.0)
            weights = np.float32(0.0)
            for di in range(2):
                wi = f if di == 1 else np.float32(1.0) - f
                for dj in range(2):
                    w = wi * (g if dj == 1 else np.float32(1.0) - g)
                    value = values[i + di, j + dj]
                    if not np.isnan(value):
                        total += w * value
                        weights += w
            picture[row, col] = total / weights


@row_kernel(
    "picture", signature=types.void(I8, I8, I4_2, F4_2, F4_2, types.int32, types.Array(types.int32, 2, "C"))
)
def nearest_picture(start, stop, labels, line_of_pixel, sample_of_pixel, outside, picture):
    """Fill (H, W) with the integer of the nearest line and sample; ``outside`` out of reach."""
    n_lines, n_samples = labels.shape
    n_rows, n_cols = picture.shape
    for row in range(start, stop):
        for col in range(n_cols):
            u = line_of_pixel[row, col]
            v = sample_of_pixel[row, col]
            if not (np.isnan(u) or np.isnan(v)):
                i = min(max(int(u + np.float32(0.5)), 0), n_lines - 1)
                j = min(max(int(v + np.float32(0.5)), 0), n_samples - 1)
                picture[row, col] = labels[i, j]
            else:
                picture[row, col] = outside
