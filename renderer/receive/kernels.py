"""Compiled loops of the receive chain: noise, gain, detection and the grey map.

Each kernel has one fixed signature, so it compiles once and is then loaded from numba's cache.
Inputs are declared read-only, which accepts writable arrays as well. Each row of the output is
written by one thread alone, so the number of threads cannot change a bit of the result.
"""

# mypy: allow-untyped-defs
from __future__ import annotations

import math

import numpy as np
from numba import njit, types

from renderer.jit import row_kernel

F4 = types.float32
I8 = types.int64
U4 = types.uint32
C8_VLT = types.Array(types.complex64, 3, "C", readonly=True)
F4_VLT = types.Array(F4, 3, "C")
F4_1 = types.Array(F4, 1, "C", readonly=True)
F4_2 = types.Array(F4, 2, "C", readonly=True)
F4_FLAT = types.Array(F4, 1, "C")
U4_VL2 = types.Array(U4, 3, "C", readonly=True)
U1_FLAT = types.Array(types.uint8, 1, "C")

TURN = np.float32(2.0 * math.pi)
TWO_24 = np.float32(2.0**-24)
HALF = np.float32(0.5)
DB_PER_LN = np.float32(20.0 / math.log(10.0))
# Value halfway between samples from four on each side: least squares over the band of a pulse of
# 3.2 samples whose centre has sunk by 0 to 0.18 of the sample rate. Its error is 0.5 % of the peak
# at 0.13 and 1.5 % at 0.18, a third of that of the maximally flat filter of this length.
MID_A, MID_B = np.float32(0.623862), np.float32(-0.173295)
MID_C, MID_D = np.float32(0.068970), np.float32(-0.019537)
ROOM = 4
SMALLEST = np.float32(1e-15)  # -300 dB: an exact zero is shown as this, not as minus infinity


@njit(U4(U4), inline="always", error_model="numpy", cache=True, nogil=True)
def _mix(x):
    """A 32-bit word whose bits all depend on all bits of ``x`` (xor-shift and multiply rounds)."""
    x = np.uint32(x ^ (x >> np.uint32(16)))
    x = np.uint32(x * np.uint32(0x7FEB352D))
    x = np.uint32(x ^ (x >> np.uint32(15)))
    x = np.uint32(x * np.uint32(0x846CA68B))
    return np.uint32(x ^ (x >> np.uint32(16)))


@njit(
    types.void(U4, U4, types.Array(F4, 1, "C"), types.Array(F4, 1, "C")),
    error_model="numpy",
    cache=True,
    nogil=True,
)
def _draw_white(key_0, key_1, re, im):
    """Fill one row with complex white noise of unit mean power (Box and Muller 1958)."""
    n = re.size
    bits_0 = np.empty(n, np.uint32)
    bits_1 = np.empty(n, np.uint32)
    # Hash the counter under two keys: one key alone would only shift one and the same sequence.
    for i in range(n):
        step = np.uint32(np.uint32(i) * np.uint32(0x9E3779B9))
        first = _mix(np.uint32(step + key_0))
        bits_0[i] = _mix(np.uint32(first ^ key_1))
        bits_1[i] = _mix(np.uint32(first + np.uint32(0x85EBCA6B) + key_1))
    for i in range(n):
        uniform = (np.float32(bits_0[i] >> np.uint32(8)) + HALF) * TWO_24
        re[i] = np.sqrt(-np.log(uniform))
    for i in range(n):
        turn = np.float32(bits_1[i] >> np.uint32(8)) * TWO_24 - HALF
        # cos and sin of a turn in -1/2..1/2 from the half angle, by series to 1e-6.
        a = turn * TURN * HALF
        b = a * a
        s = a * (
            np.float32(1.0)
            + b
            * (
                np.float32(-1 / 6)
                + b * (np.float32(1 / 120) + b * (np.float32(-1 / 5040) + b * np.float32(1 / 362880)))
            )
        )
        c = np.float32(1.0) + b * (
            -HALF
            + b
            * (
                np.float32(1 / 24)
                + b * (np.float32(-1 / 720) + b * (np.float32(1 / 40320) - b * np.float32(1 / 3628800)))
            )
        )
        radius = re[i]
        re[i] = radius * (c * c - s * s)
        im[i] = radius * (s * c + s * c)


@njit(types.void(F4_1, F4_1, types.Array(F4, 1, "C")), error_model="numpy", cache=True, nogil=True)
def _filter(x, taps, y):
    """Fill ``y`` with the valid part of ``x`` filtered by ``taps``."""
    y[:] = np.float32(0.0)
    for k in range(taps.size):
        part = x[k : k + y.size]
        tap = taps[k]
        for i in range(y.size):
            y[i] += tap * part[i]


@njit(types.void(F4_1, types.Array(F4, 1, "C")), error_model="numpy", cache=True, nogil=True)
def _smooth_in_place(taps, row):
    """Smooth a row; its ends are continued by their last value."""
    half = taps.size // 2
    padded = np.empty(row.size + 2 * half, np.float32)
    padded[:half] = row[0]
    padded[half : half + row.size] = row
    padded[half + row.size :] = row[-1]
    _filter(padded, taps, row)


@row_kernel("noise", axes=2, signature=types.void(I8, I8, U4_VL2, F4_1, types.Array(types.complex64, 3, "C")))
def draw_noise(start, stop, keys, taps, noise):
    """Fill (V, L, T) with complex noise of unit mean power, filtered along T by ``taps``."""
    n_views, n_lines, n_samples = noise.shape
    for row in range(start, stop):
        view, line = row // n_lines, row % n_lines
        re = np.empty(n_samples + taps.size - 1, np.float32)
        im = np.empty_like(re)
        _draw_white(keys[view, line, 0], keys[view, line, 1], re, im)
        out_re = np.empty(n_samples, np.float32)
        out_im = np.empty(n_samples, np.float32)
        _filter(re, taps, out_re)
        _filter(im, taps, out_im)
        for i in range(n_samples):
            noise[view, line, i] = np.complex64(complex(out_re[i], out_im[i]))


@row_kernel(
    "iq", axes=2, signature=types.void(I8, I8, C8_VLT, U4_VL2, F4_1, F4, F4, F4_2, F4_2, F4_1, F4_VLT)
)
def detect_lines(start, stop, iq, keys, taps, noise_rms, echo_gain, line_gain, time_gain, smooth, amplitude):
    """Fill (V, L, 2T - 1) with the envelope after noise and gain: the whole linear chain in one pass.

    The envelope is wider in band than the line, so it is taken at the samples and halfway between
    them, where the line is interpolated before detection.

    ``keys`` (V, L, 2) seed the noise of each line, ``taps`` are its filter, ``line_gain`` (V, L)
    and ``time_gain`` (V, T) are amplitude factors, ``smooth`` are taps along T after detection.
    """
    n_views, n_lines, n_samples = iq.shape
    for row in range(start, stop):
        view, line = row // n_lines, row % n_lines
        # Add the noise of this line, always the same for the same keys
        out_re = np.zeros(n_samples, np.float32)
        out_im = np.zeros(n_samples, np.float32)
        if noise_rms > np.float32(0.0):
            white_re = np.empty(n_samples + taps.size - 1, np.float32)
            white_im = np.empty_like(white_re)
            _draw_white(keys[view, line, 0], keys[view, line, 1], white_re, white_im)
            _filter(white_re, taps, out_re)
            _filter(white_im, taps, out_im)
        # Apply the gain, with room at both ends for the interpolation
        source = iq[view, line]
        curve = time_gain[view]
        gain = line_gain[view, line]
        re = np.empty(n_samples + 2 * ROOM, np.float32)
        im = np.empty(n_samples + 2 * ROOM, np.float32)
        for i in range(n_samples):
            factor = curve[i] * gain
            re[i + ROOM] = (source[i].real * echo_gain + out_re[i] * noise_rms) * factor
            im[i + ROOM] = (source[i].imag * echo_gain + out_im[i] * noise_rms) * factor
        re[:ROOM], re[n_samples + ROOM :] = re[ROOM], re[n_samples + ROOM - 1]
        im[:ROOM], im[n_samples + ROOM :] = im[ROOM], im[n_samples + ROOM - 1]
        # Detect at the samples and halfway between them
        target = amplitude[view, line]
        for i in range(n_samples):
            target[2 * i] = np.sqrt(re[i + ROOM] * re[i + ROOM] + im[i + ROOM] * im[i + ROOM])
        for i in range(n_samples - 1):
            re_i = MID_A * (re[i + 4] + re[i + 5]) + MID_B * (re[i + 3] + re[i + 6])
            im_i = MID_A * (im[i + 4] + im[i + 5]) + MID_B * (im[i + 3] + im[i + 6])
            re_i += MID_C * (re[i + 2] + re[i + 7]) + MID_D * (re[i + 1] + re[i + 8])
            im_i += MID_C * (im[i + 2] + im[i + 7]) + MID_D * (im[i + 1] + im[i + 8])
            target[2 * i + 1] = np.sqrt(re_i * re_i + im_i * im_i)
        if smooth.size > 1:
            _smooth_in_place(smooth, target)


@row_kernel("amplitude", signature=types.void(I8, I8, F4_1, F4_FLAT))
def amplitude_to_db(start, stop, amplitude, level):
    """Fill ``level`` with 20 log10 of ``amplitude``; NaN stays NaN."""
    for i in range(start, stop):
        a = amplitude[i]
        if not np.isnan(a):
            a = max(a, SMALLEST)
        level[i] = DB_PER_LN * np.log(a)


@row_kernel("level", signature=types.void(I8, I8, F4_1, F4, F4, F4, U1_FLAT))
def level_to_grey(start, stop, level, dynamic_range_db, reject_db, exponent, grey):
    """Fill ``grey`` with 0..255; ``exponent`` 0 is the straight map; NaN is black."""
    scale = np.float32(255.0)
    if exponent > np.float32(0.0):
        scale = np.float32(255.0) / (np.exp(exponent) - np.float32(1.0))
    for i in range(start, stop):
        db = level[i]
        t = db / dynamic_range_db + np.float32(1.0)
        if not (t > np.float32(0.0)) or db < reject_db:
            grey[i] = np.uint8(0)
            continue
        t = min(t, np.float32(1.0))
        if exponent > np.float32(0.0):
            t = np.exp(exponent * t) - np.float32(1.0)
        grey[i] = np.uint8(t * scale + HALF)
