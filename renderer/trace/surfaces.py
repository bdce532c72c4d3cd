"""Surfaces as sheets of coherent reflectors, and thin wires and beads as point reflectors.

Where the picture plane cuts a surface, the cut is sampled by rays along x and along z (each point
of the cut is weighted by the square of the normal's component along the ray, so that together they
measure its length exactly). The integral across the plane is closed with the elevation beam.
"""

from __future__ import annotations

import math

import numpy as np

from renderer.jit import kernel
from renderer.probe.plan import Fan
from renderer.tissue.fibres import lines_through
from renderer.tissue.geometry import (
    ELLIPSOID,
    START_GAP_MM,
    next_crossing,
    region_at,
    surface_shape,
    to_local,
    top_at,
)
from renderer.tissue.outlines import MAX_HITS
from renderer.tissue.paint import PaintedSolids
from renderer.tissue.scatterers import value_noise
from renderer.trace.elevation import ElevationTable, elevation_at, strip_factor
from renderer.trace.rays import R_IMPEDANCE
from renderer.trace.sheets import (
    N_SAMPLE,
    Q_AFTER,
    Q_ARC,
    Q_BEFORE,
    Q_CHAIN,
    Q_IM,
    Q_LENGTH,
    Q_NX,
    Q_NY,
    Q_NZ,
    Q_RE,
    Q_REFLECTION,
    Q_REGION,
    Q_STRENGTH,
    Q_SURFACE,
    Q_X,
    Q_Y,
    Q_Z,
)

Array = np.ndarray
STEEP = 0.7  # wires whose direction has more than this along y cross the picture plane
SQUARE = 0.85  # cosine above which a ray meets a surface squarely
WEAKEST = 1e-5  # reflection coefficients below this make no surface


@kernel
def scan_surfaces(solids, media, start, direction, step, n_rays, reach, out, bends):
    """Crossings of a fan of parallel rays in the picture plane with all surfaces.

    ``start`` (2,) first ray's start x, z; ``direction`` 0: rays along z, spaced in x; 1: along x.
    Fills ``out`` (Q, N_SAMPLE) and the curvature along y in ``bends`` (Q,); returns the count.
    """
    kinds, rows, outline, spans, region, traced = solids
    hits = np.empty(MAX_HITS)
    n = 0
    for i in range(n_rays):
        x = start[0] + (i * step if direction == 0 else 0.0)
        z = start[1] + (i * step if direction == 1 else 0.0)
        dx, dz = (0.0, 1.0) if direction == 0 else (1.0, 0.0)
        gone = 0.0
        x, z = x + 1e-5 * dx, z + 1e-5 * dz  # not on the face itself, which is a border of the coupling
        top = top_at(kinds, rows, outline, spans, traced, kinds.shape[0], x, 0.0, z)
        before = region[top] if top >= 0 else 0
        while gone < reach and n < out.shape[0]:
            t, after, surface, top = next_crossing(
                kinds, rows, outline, spans, region, traced, x, 0.0, z, dx, 0.0, dz, reach - gone, top, hits
            )
            if t < 0.0:
                break
            x, z, gone = x + t * dx, z + t * dz, gone + t
            r = media[after, R_IMPEDANCE] - media[before, R_IMPEDANCE]
            r /= media[after, R_IMPEDANCE] + media[before, R_IMPEDANCE]
            if abs(r) > WEAKEST:
                nx, ny, nz, bend = surface_shape(
                    kinds[surface], rows[surface], outline, spans[surface, 0], spans[surface, 1], x, 0.0, z,
                    0.0, 1.0, 0.0,
                )  # fmt: skip
                if nx * dx + nz * dz < 0.0:
                    nx, ny, nz = -nx, -ny, -nz
                else:
                    bend = -bend
                flat = math.sqrt(nx * nx + nz * nz)
                # Where the ray meets the surface squarely every second sample does
                square = abs(nx * dx + nz * dz) > SQUARE * flat
                if flat > 0.05 and not (square and i % 2 == 1):
                    row = out[n]
                    row[Q_X], row[Q_Y], row[Q_Z] = x, 0.0, z
                    row[Q_NX], row[Q_NY], row[Q_NZ] = nx / flat, ny / flat, nz / flat
                    row[Q_LENGTH] = step * abs(nx * dx + nz * dz) / flat * (2.0 if square else 1.0)
                    row[Q_SURFACE], row[Q_BEFORE], row[Q_AFTER] = surface, before, after
                    row[Q_REGION] = region[surface]
                    row[Q_REFLECTION] = r
                    row[Q_STRENGTH] = (
                        1.0 / flat
                    )  # the strip is longer where the surface leans across the plane
                    bends[n] = bend
                    n += 1
            before = after
            x, z, gone = x + START_GAP_MM * dx, z + START_GAP_MM * dz, gone + START_GAP_MM
    return n


@kernel
def displace_samples(samples, rows, waves, keys):
    """Shift every sample along its normal by the waves of its surface, anchored in the solid."""
    for q in range(samples.shape[0]):
        s = int(samples[q, Q_SURFACE])
        if s < 0 or waves[s, 0] == 0.0:
            continue
        x, y, z = to_local(rows[s], samples[q, Q_X], 0.0, samples[q, Q_Z])
        scale = 1.0 / waves[s, 1]
        shift = waves[s, 0] * value_noise(keys, x * scale + 17.0 * s, y * scale, z * scale)
        samples[q, Q_X] += shift * samples[q, Q_NX]
        samples[q, Q_Z] += shift * samples[q, Q_NZ]


def surface_samples(
    painted: PaintedSolids,
    solids: tuple[Array, ...],
    media: Array,
    elevation: ElevationTable,
    *,
    x_range_mm: tuple[float, float],
    z_range_mm: tuple[float, float],
    fan: Fan,
    frequency_mhz: float,
    speed_mm_per_us: float,
    key: int,
) -> Array:
    """Samples of every surface in the picture plane, (Q, N_SAMPLE), a fifth of a wavelength apart (a tenth where
    the surface leans: wider samples would echo like a grating at the top of the band)."""
    step = speed_mm_per_us / frequency_mhz / 10.0
    parts = []
    for direction in (0, 1):
        low, high = (x_range_mm, z_range_mm)[direction]
        n_rays = int((high - low) / step) + 1
        reach = (z_range_mm, x_range_mm)[direction]
        # Rays sit on a fixed raster of the probe frame
        first = math.floor(low / step) * step + 0.37 * step
        start = np.array([first, z_range_mm[0]] if direction == 0 else [x_range_mm[0], first])
        room = 12 * n_rays + 1000
        while True:
            out, bends = np.zeros((room, N_SAMPLE)), np.zeros(room)
            n = scan_surfaces(solids, media, start, direction, step, n_rays, reach[1] - reach[0], out, bends)
            if n < room:
                break
            room *= 4
        parts.append((out[:n].copy(), bends[:n].copy()))
    samples = np.concatenate([p[0] for p in parts])
    bends = np.concatenate([p[1] for p in parts])
    if len(samples) == 0:
        return np.zeros((0, N_SAMPLE))
    x, z = samples[:, Q_X], samples[:, Q_Z]
    lx, lz, s = line_at(x, z, fan)
    lean = samples[:, Q_NX] * lx + samples[:, Q_NZ] * lz
    lean = np.where(np.abs(lean) < 0.02, np.copysign(0.02, lean), lean)
    slope = -samples[:, Q_NY] / lean
    factor = strip_factor(
        elevation, np.maximum(s, 0.5), slope, bends * np.sign(lean), frequency_mhz, speed_mm_per_us
    )
    k = 2 * math.pi * frequency_mhz / speed_mm_per_us
    rough = painted.roughness_mm[samples[:, Q_SURFACE].astype(int)]
    factor = factor * np.exp(-0.5 * (2 * k * rough * lean) ** 2)
    samples[:, Q_RE], samples[:, Q_IM] = factor.real, factor.imag
    displace_samples(samples, painted.rows, painted.wave_mm, np.uint64(key))
    axis = np.repeat([0, 1], [len(part[0]) for part in parts])
    return chained(samples, axis, step)


def chained(samples: Array, direction: Array, step_mm: float) -> Array:
    """Samples (Q, N_SAMPLE) in the order in which they follow each other along their surfaces.

    Rays along z or x (``direction`` 0 or 1) that meet the same side of the same surface make a chain; it
    breaks where rays were missed or the surface jumps.
    """
    side = np.where(direction == 0, samples[:, Q_NZ], samples[:, Q_NX])
    moving = np.where(direction == 0, samples[:, Q_X], samples[:, Q_Z])
    keys = (moving, side > 0, samples[:, Q_AFTER], samples[:, Q_BEFORE], samples[:, Q_SURFACE], direction)
    order = np.lexsort(keys)
    samples = samples[order]
    same = np.all([np.diff(key[order]) == 0 for key in keys[1:]], axis=0)
    gap = np.hypot(np.diff(samples[:, Q_X]), np.diff(samples[:, Q_Z]))
    same &= (np.abs(np.diff(moving[order])) < 3.5 * step_mm) & (gap < 12 * step_mm)
    samples[:, Q_CHAIN] = np.concatenate([[0], np.cumsum(~same)])
    samples[:, Q_ARC] = np.concatenate([[0], np.cumsum(gap)])
    return samples


def line_at(x: Array, z: Array, fan: Fan) -> tuple[Array, Array, Array]:
    """Direction (x, z) of the scan line through points of the picture plane, and their distance along it."""
    out = np.empty((len(x), 3))
    lines_through(np.ascontiguousarray(x, float), np.ascontiguousarray(z, float), fan.numbers, out)
    return out[:, 0], out[:, 1], out[:, 2]


def reflector_strength(radius_mm: float, reflection: float, wavelength_mm: float, *, line: bool) -> float:
    """Scattering length of a bead (mm), or of a wire per length.

    Geometric optics (bead: R a / 2; wire: R sqrt(a / (2 lambda)), both from the stationary zone of a
    Kirchhoff integral) times a factor that falls to the Rayleigh law (a^3, a^2) below a wavelength.
    """
    ka = 2 * math.pi * radius_mm / wavelength_mm
    if line:
        return reflection * math.sqrt(radius_mm / (2 * wavelength_mm)) * ka**1.5 / (1 + ka**1.5)
    return reflection * 0.5 * radius_mm * ka**2 / (1 + ka**2)


def point_reflectors(
    painted: PaintedSolids,
    solids: tuple[Array, ...],
    media: Array,
    elevation: ElevationTable,
    *,
    fan: Fan,
    frequency_mhz: float,
    speed_mm_per_us: float,
) -> Array:
    """Samples of wires and beads that are too thin to be traced, (Q, N_SAMPLE) with surface -1.

    A wire that crosses the picture plane steeply is one sample with a closed elevation integral; one
    that runs along the plane is a row of points a quarter wavelength apart.
    """
    wavelength = speed_mm_per_us / frequency_mhz
    found: list[list[float]] = []  # x, y, z, strength, slope along x, slope along z, whether a strip, region
    for i in np.flatnonzero(~painted.traced):
        row, region = painted.rows[i], int(painted.region[i])
        axis, length, start = row[6:9], row[13], row[9:12]
        is_bead = painted.kinds[i] == ELLIPSOID
        middle = start if is_bead else start + axis * length / 2
        outside = region_at(*solids, True, *middle)
        z1, z2 = media[outside, R_IMPEDANCE], media[region, R_IMPEDANCE]
        strength = wavelength * reflector_strength(
            row[12], (z2 - z1) / (z2 + z1), wavelength, line=not is_bead
        )
        if is_bead:
            found.append([*middle, strength, 0.0, 0.0, 0.0, region])
        elif abs(axis[1]) > STEEP:
            t = -start[1] / axis[1]
            if 0.0 <= t <= length:
                x, _, z = start + t * axis
                slopes = axis[0] / axis[1], axis[2] / axis[1]
                found.append([x, 0.0, z, strength / abs(axis[1]), *slopes, 1.0, region])
        else:
            n = max(2, int(math.ceil(length / (wavelength / 5))))
            for t in (np.arange(n) + 0.5) / n * length:
                found.append([*(start + t * axis), strength * length / n, 0.0, 0.0, 0.0, region])
    if not found:
        return np.zeros((0, N_SAMPLE))
    table = np.array(found)
    samples = np.zeros((len(table), N_SAMPLE))
    samples[:, Q_X], samples[:, Q_Y], samples[:, Q_Z] = table[:, 0], table[:, 1], table[:, 2]
    samples[:, Q_STRENGTH], samples[:, Q_REGION] = table[:, 3], table[:, 7]
    samples[:, Q_SURFACE] = -1
    samples[:, Q_CHAIN] = -1.0 - np.arange(len(table))  # each by itself
    lx, lz, s = line_at(table[:, 0], table[:, 2], fan)
    depth = np.maximum(s, 0.5)
    samples[:, Q_LENGTH], samples[:, Q_ARC] = table[:, 6], depth
    strip = table[:, 6] > 0
    factor = np.zeros(len(table), complex)
    if strip.any():
        slope = (table[:, 4] * lx + table[:, 5] * lz)[strip]
        flat = np.zeros(strip.sum())
        factor[strip] = strip_factor(elevation, depth[strip], slope, flat, frequency_mhz, speed_mm_per_us)
    k = 2 * math.pi / wavelength
    for q in np.flatnonzero(~strip):
        e = elevation_at(
            elevation.two_way,
            elevation.log_start,
            elevation.log_step,
            elevation.reach_mm,
            depth[q],
            table[q, 1],
        )
        factor[q] = e * np.exp(-1j * k * table[q, 1] ** 2 / depth[q])
    samples[:, Q_RE], samples[:, Q_IM] = factor.real, factor.imag
    return samples
