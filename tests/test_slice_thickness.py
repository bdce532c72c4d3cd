"""The slice out of the picture plane: how far an anechoic body that is narrow across it is filled in.

Speckle adds up in energy. So an anechoic body that reaches from -h to h across the picture plane shows the share of
the energy of the two-way elevation beam, |E(y)^2|^2, that lies beyond it. Here that beam is the diffraction integral
over the slit with its cylindrical lens (Szabo, Diagnostic Ultrasound Imaging, 2014; from memory), with true distances
instead of Fresnel's approximation and 41 frequencies of the band instead of four; nothing of it is the program's.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import roots_legendre

import renderer
from tests import closed_forms as cf

HEIGHT_MM, LENS_MM, FREQUENCY_MHZ = 5.0, 25.0, 7.5  # of the probe of the closed forms
LOSS_DB_PER_MM_MHZ = 0.05  # of gelatine, one way
Y_MM = np.linspace(0.0, 6.0, 1201)

# Like gelatine in all but scattering: nothing is reflected, bent or lost at its surface
CLEAR = {"clear": {"like": "gelatine", "backscatter_db": "none"}}
PLAIN = {"secondary": False, "clutter": False, "lobes": False}
DEPTHS = (6, 13, 25, 37, 49)  # two before the focus, one at it, two beyond
TUBES = {13: 0.6, 25: 0.5, 37: 0.9, 49: 1.4}  # depth and radius, mm: filled in to -7 to -12 dB
LEVELS_DB = (-3, -8, -14, -20)  # that boxes are made for: from half filled to nearly black


def slice_energy(s_mm, y_mm, *, f_power=0.0, sigma_mhz=cf.SIGMA, loss=LOSS_DB_PER_MM_MHZ):
    """Energy of the two-way elevation beam at a distance, (N,) for heights (N,); no unit.

    ``f_power``: which power of the frequency the echo of a point has beside the beam's own shape.
    """
    q, weight = roots_legendre(240)
    q, weight = 0.5 * HEIGHT_MM * q, 0.5 * HEIGHT_MM * weight
    way = np.hypot(s_mm, y_mm[:, None] - q[None, :]) - (np.hypot(LENS_MM, q) - LENS_MM)
    total = np.zeros(len(y_mm))
    for f in FREQUENCY_MHZ + sigma_mhz * np.linspace(-3, 3, 41):
        spectrum = math.exp(-0.5 * ((f - FREQUENCY_MHZ) / sigma_mhz) ** 2) * 10 ** (-2 * loss * s_mm * f / 20)
        field = np.exp(-2j * np.pi * f / cf.C * way) @ weight
        total += spectrum**2 * f ** (2 * f_power) * np.abs(field) ** 4
    return total


def fill_db(s_mm, outside, **more):
    """Level in dB of what lies where ``outside`` (N,) is true for ``Y_MM``, re tissue all through."""
    energy = slice_energy(s_mm, Y_MM, **more)
    return 10 * math.log10(np.trapezoid(np.where(outside, energy, 0.0), Y_MM) / np.trapezoid(energy, Y_MM))


def fill_and_tolerance(s_mm, outside):
    """Expected level and how far it may be missed, dB.

    How an echo grows with frequency beside the shape of the slice is a matter of the beam in the plane and of the
    tissue, and no quantity of the slice: powers 0 and 1 of its amplitude stand for the least and the most, half
    of their distance is allowed for. 0.4 dB is three standard errors of two pictures over one, with a thousand cells each.
    """
    least, most = (fill_db(s_mm, outside, f_power=p) for p in (0.0, 1.0))
    return 0.5 * (least + most), 0.5 * abs(most - least) + 0.4


@lru_cache(maxsize=64)
def half_height_mm(s_mm, level_db):
    """Half height of a body that is filled in to a level."""
    energy = slice_energy(s_mm, Y_MM, f_power=0.5)
    beyond = 1 - np.cumsum(energy) / energy.sum()
    return float(np.interp(-(10 ** (level_db / 10)), -beyond, Y_MM))


def block(solids, seed):
    """The probe of the closed forms over gelatine with solids in it."""
    return replace(cf.scene(solids, tissues=CLEAR, physics=PLAIN), seed_tissue=seed)


def boxes(level_db):
    """One clear box at each depth, 5 mm high, wider than the picture, with its own extent across the plane."""
    return [
        {"name": f"box {z}", "shape": "box", "centre_mm": [0, 0, z], "tissue": "clear",
         "size_mm": [90, 2 * half_height_mm(z, level_db), 5]} for z in DEPTHS
    ]  # fmt: skip


@lru_cache(maxsize=4)
def tissue_lines(seed):
    """Lines of the block with nothing in it."""
    return lines(block([], seed))


def lines(made):
    """Echoes without noise and gain (L', T), of the lines that the solids fill from side to side, and depth (T,)."""
    view, _, depth, names = cf.lines_of(made)
    iq = view.iq[[n for n, name in enumerate(names) if name != "main_bang"]].sum(axis=0)
    return iq[np.abs(view.plan.face_mm) < 17], depth


def mean_power(read, z_mm, reach_mm):
    """Mean power of lines in a band of depths."""
    iq, depth = read
    return float((np.abs(iq[:, np.abs(depth - z_mm) < reach_mm]) ** 2).mean())


def inside_db(solids, reach_mm, seeds):
    """Level of bands about the depths, dB re the same places without the solids, by depth. ``reach_mm`` by depth."""
    inside, tissue = np.zeros(len(reach_mm)), np.zeros(len(reach_mm))
    for seed in seeds:
        read = lines(block(solids, seed))
        inside += [mean_power(read, z, reach) for z, reach in reach_mm.items()]
        tissue += [mean_power(tissue_lines(seed), z, reach) for z, reach in reach_mm.items()]
    return dict(zip(reach_mm, (10 * np.log10(inside / tissue)).tolist()))


@lru_cache(maxsize=4)
def box_levels(level_db):
    """Level inside the boxes by depth; pulse and ends stay 1.1 mm away."""
    return inside_db(boxes(level_db), dict.fromkeys(DEPTHS, 1.4), (1, 2))


@lru_cache(maxsize=1)
def tube_levels():
    """Level in the middle third of the tubes by depth."""
    tubes = [
        {"name": f"tube {z}", "shape": "tube", "from_mm": [-45, 0, z], "to_mm": [45, 0, z], "radius_mm": radius,
         "tissue": "clear"} for z, radius in TUBES.items()
    ]  # fmt: skip
    return inside_db(tubes, {z: 0.3 * radius for z, radius in TUBES.items()}, (1, 2, 3, 4))


def test_the_reference_beam_at_the_lens_focus():
    """At one frequency and without loss the beam there is sinc: the shares of sinc^4, and 0.886 lambda F / H at -6 dB.

    Fresnel's approximation, which the sinc is, is good to a percent of width at F/5.
    """
    unit_mm = cf.C / FREQUENCY_MHZ * LENS_MM / HEIGHT_MM
    for h in (0.2, 0.5, 1.0):
        beyond = 1 - 2 * quad(lambda u: float(np.sinc(u)) ** 4, 0, h)[0] / (2 / 3)
        got = fill_db(LENS_MM, Y_MM / unit_mm > h, sigma_mhz=1e-3, loss=0.0)
        assert got == pytest.approx(10 * math.log10(beyond), abs=0.3)
    energy = slice_energy(LENS_MM, Y_MM, sigma_mhz=1e-3, loss=0.0)
    half = np.interp(-0.25, -energy / energy[0], Y_MM)  # -6 dB
    assert 2 * half / unit_mm == pytest.approx(0.886, rel=0.015)


@pytest.mark.parametrize(
    ("z_mm", "level_db"),
    [(z, level) for z in DEPTHS for level in LEVELS_DB],
)
def test_a_box_is_filled_by_what_lies_beside_it(z_mm, level_db):
    """Level inside a clear box whose extent across the picture plane was chosen for it."""
    expected, tolerance = fill_and_tolerance(z_mm, Y_MM > half_height_mm(z_mm, level_db))

    assert box_levels(level_db)[z_mm] == pytest.approx(expected, abs=tolerance)


@pytest.mark.parametrize("z_mm", TUBES)
def test_a_tube_along_the_picture_is_filled_by_what_lies_beside_its_chord(z_mm):
    """Middle of a clear tube in the picture plane, as thick as the slice: the share beyond the chord at each depth.

    What lies at a height y comes y^2 / 2s late; where the tubes are 0.04 mm at most. The middle third is read; it
    has a quarter of the cells that a box has, hence twice its error.
    """
    chord_mm = TUBES[z_mm] * math.sqrt(1 - 0.3**2 / 3)  # at the rms of the depths that are read
    expected, tolerance = fill_and_tolerance(z_mm, Y_MM > chord_mm)

    assert tube_levels()[z_mm] == pytest.approx(expected, abs=tolerance + 0.4)


def test_the_truth_names_the_slice():
    """In a box with the better part of the slice inside, what shows is `slice_thickness`, and direct beside it.

    99 %: what remains are pixels within a cell of the box's top and bottom, where true echoes reach in.
    """
    frame = renderer.render(block(boxes(-8), 1))
    of_slice = frame.truth.mask("slice_thickness", visible=False)
    for z in DEPTHS:
        rows = np.abs(frame.z_mm - z) < 1.9
        inside = np.ix_(rows, np.abs(frame.x_mm) < 17)
        name = frame.truth.legend[int(frame.truth.seen[inside].max())].name
        assert name == f"box {z}" and (frame.truth.seen[inside] == frame.truth.there[inside]).all()
        assert of_slice[inside].mean() > 0.99
        assert frame.truth.share["slice_thickness"][inside].mean() > 0.95
        beside = np.ix_(np.abs(frame.z_mm - z - 3.5) < 0.5, np.abs(frame.x_mm) < 17)
        assert not of_slice[beside].any()
