"""Texture above the speckle, drawn with the scatterers: octaves of level, and thin coherent sheets.

A sheet is not modelled as a surface. Points near a virtual surface (the wall between two cells, a
lamina) are put onto it, most of them with one sign: where the surface lies square to the beam their
echoes add up to a line, and where it is oblique they fade, by the sum of the beam alone. How strong
a point must be for a wanted picture level follows from the speckle it stands in: with points of
density rho and size a the speckle of a resolution cell of area A and length Z has the mean power
rho a^2 A Z (up to a constant), and a sheet of n points per area, of size b and net sign c, (c n b A)^2.
The density is PER_CELL / (A Z), so that A drops out and one factor b / a holds at every depth.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import NormalDist

import numpy as np

from renderer.jit import kernel
from renderer.tissue.hashing import NEXT, cell_of_column, column_hash, mix, unit, value_noise
from renderer.tissue.presets import (
    CELLS,
    LAYERS,
    LINING,
    MOST_OCTAVES,
    MOST_SHEETS,
    MOST_VESSELS,
    Orientation,
    Sheets,
    TextureRecipe,
)

Array = np.ndarray

PER_CELL = 7.0  # scatterers per local resolution cell

# Columns of a texture: its axes in the world (rows), level that keeps the mean power, numbers of octaves, sheets and
# kinds of vessels, length of the resolution cell in depth, and the level for places without linings (the
# background has no surface); then the octaves (length, across, contrast), the sheets and
# the vessels (radius, least radius, length, spacing, wall, blood).
FRAME, SETTLE, N_OCTAVES, N_SHEETS, N_VESSELS, AXIAL, SETTLE_BARE = 0, 9, 10, 11, 12, 13, 14
OCTAVES, OCTAVE_COLUMNS = 15, 3
SHEETS = OCTAVES + MOST_OCTAVES * OCTAVE_COLUMNS
(S_PATTERN, S_ALONG, S_ACROSS, S_THICK, S_CAPTURE, S_RESIDUE, S_KEPT, S_GATE, S_PATCH, S_WAVE, S_CHANCE,
 S_GAIN) = range(12)  # fmt: skip
SHEET_COLUMNS = 12
VESSELS, VESSEL_COLUMNS = SHEETS + MOST_SHEETS * SHEET_COLUMNS, 6
N_TEXTURE = VESSELS + MOST_VESSELS * VESSEL_COLUMNS
PATTERN_NUMBER = {CELLS: 0.0, LAYERS: 1.0, LINING: 2.0}

SAME_SIGN = 0.78  # share of a sheet's points that have its sign
NET_SIGN = 2 * SAME_SIGN - 1
POINTS_WANTED = 10.0  # of a sheet, in a resolution cell
CAPTURE = 0.22  # of the distance of sheets: points this near are put onto one
CAPTURE_MOST_MM = 1.0
RESOLVED = (
    2.2  # sheets nearer to each other than so many lengths of the resolution cell are left to the speckle
)
# Picture level of a flat sheet square to the beam over the speckle, against the sum above: the beam's field is curved
# off the focus, and a wall is rarely flat over a whole cell. Measured on flat laminae (see the test of sheets).
COHERENT_DB = 6.5
# Mean power that sheets bring, re what flat ones square to the beam would: walls of cells face all ways; laminae fall
# off with their slope, linings with that of their solid, of which they know nothing: a flat one comes out 0.6 to 0.8 dB
# above its mean level, one bent by 10 degrees 1 to 2 dB below. Fitted to mean levels of the shipped textures.
CELLS_SHARE, LAMINA_SHARE, LINING_SHARE, LAMINA_SLOPE = 0.05, 0.75, 0.4, 0.12
FACE_SPREAD_DB = 8.0  # from the weakest to the strongest wall
TEAR = 0.5  # width of the torn edge of a lamina, in deviations of the noise that tears it


def texture_row(recipe: TextureRecipe, *, wavelength_mm: float, axial_mm: float) -> Array:
    """A texture as numbers for the kernels, (N_TEXTURE,).

    ``axial_mm``: length of the resolution cell, the integral of the pulse's envelope in depth.
    """
    row = np.zeros(N_TEXTURE)
    row[FRAME : FRAME + 9] = texture_axes(recipe.orientation).ravel()
    row[N_OCTAVES], row[N_VESSELS], row[AXIAL] = len(recipe.octaves), len(recipe.vessels), axial_mm
    for o, octave in enumerate(recipe.octaves):
        first = OCTAVES + o * OCTAVE_COLUMNS
        across = octave.length_mm if octave.across_mm is None else octave.across_mm
        row[first : first + OCTAVE_COLUMNS] = octave.length_mm, across, octave.contrast_db
    extra = bare = 0.0
    shown = [sheets for sheets in recipe.sheets if sheets.size_mm[2] >= RESOLVED * axial_mm]
    row[N_SHEETS] = len(shown)
    for f, sheets in enumerate(shown):
        first = SHEETS + f * SHEET_COLUMNS
        tilt = math.sin(recipe.orientation.direction_rad)
        row[first : first + SHEET_COLUMNS], power = _sheet_row(sheets, tilt, wavelength_mm, axial_mm)
        extra += power
        bare += power if sheets.pattern != LINING else 0.0
    for v, kind in enumerate(recipe.vessels):
        first = VESSELS + v * VESSEL_COLUMNS
        row[first : first + VESSEL_COLUMNS] = (
            kind.radius_mm, kind.least_mm, kind.length_mm, kind.spacing_mm, kind.wall_db, kind.blood_db
        )  # fmt: skip
    row[SETTLE], row[SETTLE_BARE] = -10 * math.log10(1 + extra), -10 * math.log10(1 + bare)
    return row


def texture_axes(orientation: Orientation) -> Array:
    """Axes of a texture as rows in the world: along the fibres, across in their plane, and upright to both."""
    c, s = math.cos(orientation.direction_rad), math.sin(orientation.direction_rad)
    ct, st = math.cos(orientation.turn_rad), math.sin(orientation.turn_rad)
    return np.array([[c * ct, c * st, s], [-st, ct, 0.0], [-s * ct, -s * st, c]])


def _square_share(sheets: Sheets, tilt: float) -> float:
    """Mean power of sheets re that of flat ones square to a beam that comes from above."""
    if sheets.pattern == CELLS:
        return CELLS_SHARE
    slope2 = (sheets.wave_mm / (0.6 * sheets.size_mm[0])) ** 2
    if sheets.pattern == LINING:
        return LINING_SHARE / (1 + slope2 / LAMINA_SLOPE**2)
    return LAMINA_SHARE / (1 + (slope2 + tilt * tilt) / LAMINA_SLOPE**2)


def _sheet_row(sheets: Sheets, tilt: float, wavelength_mm: float, axial_mm: float) -> tuple[Array, float]:
    """One pattern of sheets as numbers, and the power that it adds to the mean, re the speckle."""
    along, across, thick = sheets.size_mm
    capture = min(CAPTURE * thick, CAPTURE_MOST_MM)
    chance = min(1.0, POINTS_WANTED * axial_mm / (2 * capture * PER_CELL))
    # A sheet of some thickness loses coherence within the pulse's wavelength there and back
    turn = 2 * math.pi * sheets.thickness_mm / wavelength_mm
    loss = max(abs(math.sin(turn) / turn) if turn > 0 else 1.0, 0.25)
    peak = 10 ** ((sheets.contrast_db - COHERENT_DB) / 20) / loss
    gain = peak * axial_mm / (NET_SIGN * 2 * capture * chance * math.sqrt(PER_CELL))
    row = np.zeros(SHEET_COLUMNS)
    row[S_PATTERN] = PATTERN_NUMBER[sheets.pattern]
    row[[S_ALONG, S_ACROSS, S_THICK]] = along, across, thick
    row[S_CAPTURE], row[S_RESIDUE] = capture, min(1.0, 0.5 * sheets.thickness_mm / capture)
    row[S_KEPT], row[S_GATE] = sheets.kept, gate_of(sheets.kept)
    row[S_PATCH], row[S_WAVE] = sheets.patchiness_db, sheets.wave_mm
    row[S_CHANCE], row[S_GAIN] = chance, gain
    area_per_mm = sum(1 / side for side in sheets.size_mm) if sheets.pattern == CELLS else 1 / thick
    incoherent = chance * 2 * capture * area_per_mm * gain**2
    square = 10 ** (sheets.contrast_db / 10) * axial_mm / math.sqrt(2) / thick
    return row, sheets.kept * (_square_share(sheets, tilt) * square + incoherent)


def gate_of(kept: float) -> float:
    """Value that unit noise exceeds on a share of the places (normal law); minus infinity for all of them."""
    return -math.inf if kept >= 1.0 else NormalDist().inv_cdf(1 - kept)


def sheet_share(rows: Array) -> float:
    """At most how many sheet points there are for each scatterer, for the room that is set aside."""
    first = SHEETS + SHEET_COLUMNS * np.arange(MOST_SHEETS)
    share = rows[:, first + S_CHANCE] * np.minimum(1.0, 4 * CAPTURE) * rows[:, first + S_KEPT]
    return float(share.sum(1).max())


def empty_texture() -> Array:
    """A texture that changes nothing, for phantoms without any."""
    return np.zeros(N_TEXTURE)


def texture_table(recipes: Sequence[TextureRecipe], *, wavelength_mm: float, axial_mm: float) -> Array:
    """Textures as rows, (X, N_TEXTURE); one empty row where there is none."""
    rows = [texture_row(recipe, wavelength_mm=wavelength_mm, axial_mm=axial_mm) for recipe in recipes]
    return np.array(rows or [empty_texture()])


@kernel
def in_frame(row, x, y, z):
    """A place of the world in the axes of a texture."""
    return (
        row[0] * x + row[1] * y + row[2] * z,
        row[3] * x + row[4] * y + row[5] * z,
        row[6] * x + row[7] * y + row[8] * z,
    )


@kernel
def octaves_db(row, key, x, y, z):
    """Level of the octaves at a place in a texture's axes; their mean power is that of an even tissue (log-normal law)."""
    gain_db = 0.0
    for o in range(int(row[N_OCTAVES])):
        first = OCTAVES + o * OCTAVE_COLUMNS
        scale, across, contrast = 1.0 / row[first], 1.0 / row[first + 1], row[first + 2]
        gain_db += contrast * value_noise(key + np.uint64(77 + o), x * scale, y * scale, z * across)
        gain_db -= 0.11513 * contrast * contrast
    return gain_db


@kernel
def wall_of_cells(sheet, key, x, y, z):
    """The nearest wall of closely packed cells (the plane midway between the two nearest of scattered seeds).

    Returns hash of the wall, distance to it, and its unit normal away from the place.
    """
    a, b, c, wave = sheet[S_ALONG], sheet[S_ACROSS], sheet[S_THICK], sheet[S_WAVE]
    # Bend space a little, or the walls are planes
    sx, sy, sz = 1.0 / (0.6 * a), 1.0 / (0.6 * b), 1.0 / (1.6 * c)
    bent_z = z + wave * value_noise(key + np.uint64(11), x * sx, y * sy, z * sz)
    bent_x = x + wave * value_noise(key + np.uint64(12), x * sx, y * sy, z * sz)
    ux, uy, uz = bent_x / a, y / b, bent_z / c
    i0, j0, k0 = math.floor(ux), math.floor(uy), math.floor(uz)
    d1 = d2 = 1e30
    h1 = h2 = np.uint64(0)
    x1 = y1 = z1 = x2 = y2 = z2 = 0.0
    for i in range(-1, 2):
        for j in range(-1, 2):
            column = column_hash(key, np.int64(i0) + i, np.int64(j0) + j)
            for k in range(-1, 2):
                h = cell_of_column(column, np.int64(k0) + k)
                px = i0 + i + 0.08 + 0.84 * unit(h, 0) - ux
                py = j0 + j + 0.08 + 0.84 * unit(h, 21) - uy
                pz = k0 + k + 0.08 + 0.84 * unit(h, 42) - uz
                d = px * px + py * py + pz * pz
                if d < d1:
                    d2, h2, x2, y2, z2 = d1, h1, x1, y1, z1
                    d1, h1, x1, y1, z1 = d, h, px, py, pz
                elif d < d2:
                    d2, h2, x2, y2, z2 = d, h, px, py, pz
    nx, ny, nz = (x2 - x1) / a, (y2 - y1) / b, (z2 - z1) / c
    length = math.sqrt(nx * nx + ny * ny + nz * nz)
    return mix(h1 + h2), 0.5 * (d2 - d1) / length, nx / length, ny / length, nz / length


@kernel
def lamina(sheet, key, x, y, z):
    """The nearest of a stack of torn wavy laminae over z: its hash, the signed way to it along z, and how whole it is."""
    a, b, c, wave = sheet[S_ALONG], sheet[S_ACROSS], sheet[S_THICK], sheet[S_WAVE]
    bent = z + wave * 0.8 * value_noise(key + np.uint64(21), x / (2.0 * a), y / (2.0 * b), z / (3.0 * c))
    bent += wave * 0.35 * value_noise(key + np.uint64(22), x / (0.6 * a), y / (0.6 * b), z / c)
    k = math.floor(bent / c + 0.5)
    h = mix(key + NEXT * np.uint64(np.int64(k)))
    way = (k + 0.3 * (2 * unit(h, 0) - 1)) * c - bent
    if abs(way) > sheet[S_CAPTURE]:
        return h, way, 0.0
    noise = value_noise(key + np.uint64(23), x / a, y / b, 7.31 * k)
    return h, way, min(1.0, max(0.0, (noise - sheet[S_GATE]) / TEAR + 0.5))


@kernel
def sheet_near(sheet, key, x, y, z):
    """What a pattern of sheets makes of a point (in the axes of the texture, or of a surface).

    Returns gain re the scatterer (0: no sheet near), sign of the sheet, and the way onto it.
    """
    if sheet[S_PATTERN] == 0.0:
        h, distance, nx, ny, nz = wall_of_cells(sheet, key, x, y, z)
        rank = unit(h, 0)
        if distance > sheet[S_CAPTURE] or rank >= sheet[S_KEPT]:
            return 0.0, 1.0, 0.0, 0.0, 0.0
        level_db = FACE_SPREAD_DB * (rank / sheet[S_KEPT] - 0.5)
        way = distance * (1.0 - sheet[S_RESIDUE])
        whole = 1.0
    else:
        h, distance, whole = lamina(sheet, key, x, y, z)
        if whole <= 0.0:
            return 0.0, 1.0, 0.0, 0.0, 0.0
        level_db = 0.5 * FACE_SPREAD_DB * (unit(h, 21) - 0.5)
        nx, ny, nz = 0.0, 0.0, 1.0
        way = distance * (1.0 - sheet[S_RESIDUE])
    patch = sheet[S_PATCH]
    if patch > 0.0:
        s = 1.0 / max(0.6 * sheet[S_THICK], 0.3)
        level_db += (
            patch * value_noise(key + np.uint64(31), 0.5 * x * s, 0.3 * y * s, z * s)
            - 0.11513 * patch * patch
        )
    gain = sheet[S_GAIN] * whole * 10.0 ** (level_db / 20.0)
    sign = 1.0 if (h & np.uint64(1 << 63)) == np.uint64(0) else -1.0
    return gain, sign, way * nx, way * ny, way * nz
