"""Numbers that count instead of being drawn: a place and a key in, the same number out, in any order."""

from __future__ import annotations

import math

import numpy as np

from renderer.jit import kernel

NEXT = np.uint64(0x632BE59BD9B4E019)  # added to a hash before it is mixed again for further numbers


@kernel
def mix(h):
    """One round of a 64-bit finaliser (splitmix64; Steele et al. 2014, from memory)."""
    h = (h ^ (h >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    h = (h ^ (h >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return h ^ (h >> np.uint64(31))


@kernel
def column_hash(key, i, j):
    """Hash of a lattice column, from which ``cell_of_column`` goes on."""
    h = mix(key + np.uint64(i) * np.uint64(0x9E3779B97F4A7C15))
    return mix(h ^ (np.uint64(j) * np.uint64(0xC2B2AE3D27D4EB4F)))


@kernel
def cell_of_column(column, k):
    """Hash of a cell of a lattice column."""
    return mix(column ^ (np.uint64(k) * np.uint64(0x165667B19E3779F9)))


@kernel
def cell_hash(key, i, j, k):
    """Hash of a lattice cell."""
    return cell_of_column(column_hash(key, i, j), k)


@kernel
def unit(h, shift):
    """Twenty-one bits of a hash as a number in 0..1."""
    return float((h >> np.uint64(shift)) & np.uint64(0x1FFFFF)) / 2097152.0


@kernel
def value_noise(key, x, y, z):
    """Smooth noise of about unit variance with one value per unit cell, quintic between."""
    i, j, k = math.floor(x), math.floor(y), math.floor(z)
    fx, fy, fz = x - i, y - j, z - k
    fx = fx * fx * fx * (fx * (fx * 6 - 15) + 10)
    fy = fy * fy * fy * (fy * (fy * 6 - 15) + 10)
    fz = fz * fz * fz * (fz * (fz * 6 - 15) + 10)
    total = 0.0
    for a in range(2):
        wa = fx if a else 1 - fx
        for b in range(2):
            wb = fy if b else 1 - fy
            column = column_hash(key, np.int64(i) + a, np.int64(j) + b)
            for c in range(2):
                wc = fz if c else 1 - fz
                total += wa * wb * wc * (2 * unit(cell_of_column(column, np.int64(k) + c), 0) - 1)
    return 2.6 * total
