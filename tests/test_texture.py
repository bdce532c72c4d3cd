"""Texture above the speckle: anchored in the tissue, at the level that was asked for, and gone when switched off."""

from __future__ import annotations

import math

import numpy as np
import pytest

import renderer
from renderer import flow
from renderer.tissue import geometry, outlines
from renderer.tissue.hashing import value_noise
from renderer.tissue.linings import under_surface
from renderer.tissue.presets import CELLS, LAYERS, TEXTURE_PRESETS, Octave, Orientation, Sheets, TextureRecipe
from renderer.tissue.scatterers import THIN_BELOW, THIN_SHEETS
from renderer.tissue.texture import (
    NET_SIGN,
    OCTAVES,
    SHEET_COLUMNS,
    SHEETS,
    gate_of,
    octaves_db,
    sheet_near,
    texture_axes,
    texture_row,
)
from renderer.tissue.vessels import V_R0, V_X0, V_Z1, grow_vessels, vessel_near

LINEAR = {"kind": "linear", "elements": 128, "pitch_mm": 0.3, "frequency_mhz": 7.5, "bandwidth_percent": 60,
          "height_mm": 5, "lens_focus_mm": 18}  # fmt: skip
FIBRES = {
    "octaves": [{"length_mm": 6, "across_mm": 1, "contrast_db": 2}],
    "sheets": [
        {"pattern": "cells", "size_mm": [8, 12, 2.2], "contrast_db": 20},
        {"pattern": "layers", "size_mm": [6, 8, 2], "contrast_db": 18},
        {"pattern": "lining", "size_mm": [4, 6, 1], "contrast_db": 12},
    ],
    "vessels": [
        {"trunk_radius_mm": 1.5, "least_radius_mm": 0.7, "trunk_length_mm": 8, "spacing_mm": 18, "wall_db": 4}
    ],
    "orientation": {"direction_deg": 5},
}


def scene(texture=None, *, like="gelatine", depth_mm=24.0, physics=None, pose=None, machine=None, solids=()):
    """One tissue throughout, under a linear probe of 128 lines."""
    tissue = {"like": like} | ({"texture": texture} if texture else {})
    return renderer.parse_scene({
        "title": "Textured block", "phantom": {"background": "block", "tissues": {"block": tissue}, "solids": list(solids)},
        "probe": LINEAR, "pose": pose or {}, "physics": {"secondary": False} | (physics or {}),
        "machine": {"depth_mm": depth_mm, "focus_mm": [15]} | (machine or {}),
    })  # fmt: skip


def points(made, seed=3):
    """The scatterers of a scene: x, y, z, amplitude."""
    p = flow.points_of(flow.trace_job(flow._seeded(made, seed), 0.0))
    return np.stack([p.x_mm, p.y_mm, p.z_mm, p.amplitude], 1).astype(float)


def in_box(p):
    """Points of the middle of the view, in an order of their own."""
    inside = (np.abs(p[:, 0]) < 8) & (np.abs(p[:, 1]) < 1) & (np.abs(p[:, 2] - 14) < 6)
    return p[inside][np.argsort(p[inside, 3] + 1e-3 * p[inside, 0])]


def mean_level_db(made, seeds):
    """Mean power of the middle of the picture, dB."""
    power = []
    for seed in range(seeds):
        frame = renderer.render(made, seed=seed)
        z = (frame.z_mm > 4) & (frame.z_mm < made.scan.depth_mm - 2)
        power.append(10 ** (frame.level_db[np.ix_(z, np.abs(frame.x_mm) < 17)] / 10))
    return 10 * math.log10(np.mean(power))


def test_texture_is_drawn_again_alike():
    made = scene(FIBRES)
    first = points(made)
    flow.points_of.cache_clear()

    assert np.array_equal(first, points(made))
    assert not np.array_equal(in_box(first)[:50], in_box(points(made, seed=4))[:50])


def test_texture_slides_with_the_tissue():
    """A slide by 1.3 mm finds the same points, 1.3 mm to the left; 2e-5 mm: single precision of places up to 100 mm."""
    still, slid = points(scene(FIBRES)), points(scene(FIBRES, pose={"slide_mm": 1.3}))
    slid[:, 0] += 1.3
    still, slid = in_box(still), in_box(slid)

    assert abs(len(still) - len(slid)) <= 2  # a point on the rim of the box may fall on either side
    keys = [{tuple(row) for row in np.round(p[:, [1, 2, 3]], 4)} for p in (still, slid)]
    assert len(keys[0] & keys[1]) > 0.98 * len(still)  # the rest is rounded to another digit


@pytest.mark.parametrize("like", ["gelatine", "muscle", "liver", "fat"])
def test_texture_is_switched_off(like):
    """Without texture any tissue has the points of an even one, to the bit."""
    plain = scene({"octaves": [{"length_mm": 5, "contrast_db": 0}]}, like=like)
    off = scene(FIBRES, like=like, physics={"texture": False})

    assert np.array_equal(points(off), points(plain))
    assert not np.array_equal(points(scene(FIBRES, like=like))[:, 3], points(off)[:, 3])


def test_octaves_are_one_field_for_points_of_all_lattices():
    """Every point has the amplitude of its even tissue times the field at its place; 1e-4: single precision."""
    texture = {"octaves": [{"length_mm": 4, "across_mm": 1.5, "contrast_db": 3}]}
    even, textured = points(scene()), points(scene(texture))
    recipe = TextureRecipe((Octave(4.0, 3.0, 1.5),))
    row = texture_row(recipe, wavelength_mm=0.2, axial_mm=0.16)
    job = flow.trace_job(flow._seeded(scene(texture), 3), 0.0)
    want = [octaves_db(row, np.uint64(job.key), *p[:3]) for p in textured[::97]]

    assert len(even) == len(textured)
    assert 20 * np.log10(textured[::97, 3] / even[::97, 3]) == pytest.approx(want, abs=2e-3)


def test_noise_has_unit_variance():
    """Of independent places; 5 %: three standard errors of 4000 values, and what the interpolation does to them."""
    rng = np.random.default_rng(1)
    values = [value_noise(np.uint64(5), *p) for p in rng.uniform(-400, 400, (4000, 3))]

    assert np.mean(values) == pytest.approx(0.0, abs=0.06)
    assert np.std(values) == pytest.approx(1.0, abs=0.15)


@pytest.mark.parametrize("texture", ["muscle", "muscle across", "fat", "tendon", "nerve", "gland", "soft"])
def test_mean_level_stays(texture):
    """1 dB: the level of a tissue is the mean of its picture, whatever its texture.

    Octaves as long as the picture shift single pictures by more than that, so they are left out.
    """
    preset = TEXTURE_PRESETS[texture]
    mapping = {
        "octaves": [{"length_mm": o.length_mm, "across_mm": o.across_mm or o.length_mm, "contrast_db": o.contrast_db}
                    for o in preset.octaves if o.length_mm < 6],
        "sheets": [{"pattern": s.pattern, "size_mm": list(s.size_mm), "contrast_db": s.contrast_db,
                    "kept_percent": 100 * s.kept, "thickness_mm": s.thickness_mm, "wave_mm": s.wave_mm,
                    "patchiness_db": s.patchiness_db} for s in preset.sheets],
        "orientation": {"direction_deg": math.degrees(preset.orientation.direction_rad),
                        "turn_deg": math.degrees(preset.orientation.turn_rad)},
    }  # fmt: skip

    assert mean_level_db(scene(mapping), 4) == pytest.approx(mean_level_db(scene(), 2), abs=1.0)


@pytest.mark.parametrize("texture", ["skin", "fascia"])
def test_mean_level_of_a_lined_layer_stays(texture):
    """1 dB for a flat layer. The laminae of a bent one fade on its flanks (skin 1 dB, fascia 2 dB at 10 degrees)."""
    layer = {"name": "layer", "shape": "slab", "top_mm": 8, "thickness_mm": 8, "tissue": "block"}
    power = {}
    for name, made in ((texture, scene(texture, solids=[layer])), ("even", scene())):
        frames = [renderer.render(made, seed=seed) for seed in range(3)]
        levels = [f.level_db[np.ix_((f.z_mm > 8.5) & (f.z_mm < 15.5), np.abs(f.x_mm) < 17)] for f in frames]
        power[name] = np.mean(10 ** (np.array(levels) / 10))

    assert 10 * math.log10(power[texture] / power["even"]) == pytest.approx(0.0, abs=1.0)


def test_plain_tissue_has_plain_speckle():
    """Envelope SNR 1.91 (Rayleigh; Wagner et al. 1983). 0.05: from some 6000 independent cells, and 7 scatterers in each."""
    envelope = []
    for seed in range(4):
        frame = renderer.render(scene(), seed=seed)
        depth = 0.77 * frame.time_us
        lines = np.abs(frame.lines[20:-20, (depth > 5) & (depth < 22)])
        envelope.append(lines / np.sqrt(np.mean(lines**2, 0)))
    envelope = np.array(envelope)

    assert envelope.mean() / envelope.std() == pytest.approx(1.91, abs=0.05)


def test_a_flat_lamina_stands_above_the_speckle_as_far_as_was_asked():
    """20 dB, square to the beam and level. 4 dB: the curvature of the field off the focus, measured over 50 mm of depth."""
    sheets = [{"pattern": "layers", "size_mm": [200, 200, 5], "contrast_db": 20, "kept_percent": 100, "wave_mm": 0,
               "patchiness_db": 0, "thickness_mm": 0}]  # fmt: skip
    made = scene({"sheets": sheets})
    recipe = dict(made.phantom.materials)["block"].texture
    settle_db = texture_row(recipe, wavelength_mm=0.205, axial_mm=0.157)[9]
    heights = []
    for seed in range(3):
        frame = renderer.render(made, seed=seed)
        power = np.mean(10 ** (frame.level_db[:, np.abs(frame.x_mm) < 6] / 10), 1)
        for top in (6.0, 11.0, 16.0):  # one lamina at least in each
            window = (frame.z_mm > top) & (frame.z_mm < top + 6.6)
            heights.append(10 * math.log10(power[window].max()) + 38.0 - settle_db)

    assert np.mean(heights) == pytest.approx(20.0, abs=4.0)


def sheet_of(pattern, **more):
    recipe = TextureRecipe(sheets=(Sheets(pattern, (8.0, 12.0, 2.2), 15.0, **more),))
    return texture_row(recipe, wavelength_mm=0.2, axial_mm=0.16)[SHEETS : SHEETS + SHEET_COLUMNS]


@pytest.mark.parametrize("pattern", [CELLS, LAYERS])
def test_points_are_put_onto_one_surface(pattern):
    """A point that was moved lies on the sheet: it is moved by the thickness alone when asked again."""
    sheet = sheet_of(pattern, kept=1.0, wave_mm=0.0, thickness_mm=0.0, patchiness_db=0.0)
    rng, key, moved = np.random.default_rng(2), np.uint64(9), 0
    for p in rng.uniform(-30, 30, (600, 3)):
        gain, _, *way = sheet_near(sheet, key, *p)
        if gain == 0.0:
            continue
        moved += 1
        again, _, *rest = sheet_near(sheet, key, *(p + np.array(way)))
        assert again == 0.0 or np.linalg.norm(rest) < 1e-9 or pattern == CELLS and np.linalg.norm(rest) < 0.5
    assert moved > 60


def test_share_of_sheets_that_are_there():
    """A quarter of the walls where a quarter is kept: within 3 standard errors of a few hundred walls."""
    share = []
    for kept in (1.0, 0.25):
        sheet, rng = sheet_of(CELLS, kept=kept), np.random.default_rng(3)
        share.append(
            np.mean([sheet_near(sheet, np.uint64(9), *p)[0] > 0 for p in rng.uniform(-60, 60, (6000, 3))])
        )

    assert share[1] / share[0] == pytest.approx(0.25, abs=0.06)
    assert gate_of(0.5) == pytest.approx(0.0, abs=1e-12)
    assert gate_of(1.0) == -math.inf


def test_axes_follow_direction_and_turn():
    """Positive lowers the right end; a quarter turn shows the fibres end on."""
    along, _, upright = texture_axes(Orientation(math.radians(10), 0.0))
    assert along == pytest.approx([math.cos(math.radians(10)), 0, math.sin(math.radians(10))])
    assert upright @ along == pytest.approx(0.0, abs=1e-12)
    assert texture_axes(Orientation(0.0, math.radians(90)))[0] == pytest.approx([0, 1, 0])


def test_fine_sheets_are_left_to_the_speckle():
    fine = TextureRecipe(sheets=(Sheets(CELLS, (8.0, 8.0, 0.3), 10.0),))
    row = texture_row(fine, wavelength_mm=0.44, axial_mm=0.34)
    assert not row[SHEETS:].any()
    assert row[:OCTAVES][9] == 0.0


def test_thinned_sheets_add_up_to_the_whole():
    """Speckle of the thin set is made up for by the root of the share; a coherent sum must then keep its level."""
    assert THIN_SHEETS * math.sqrt(256 / THIN_BELOW) == pytest.approx(1.0, rel=1e-12)
    assert 0.0 < NET_SIGN < 1.0


VEINS = TextureRecipe(vessels=TEXTURE_PRESETS["liver"].vessels)


def veins_in(low, high):
    rows = np.array([texture_row(VEINS, wavelength_mm=0.44, axial_mm=0.34)])
    return grow_vessels(rows, 77, np.array(low, float), np.array(high, float))


def test_vessels_are_the_same_in_any_box():
    """A smaller view finds the vessels of a larger one at the same places."""
    large, small = veins_in([-80, -12, 0], [80, 12, 150]), veins_in([-20, -6, 40], [20, 6, 90])
    every = {tuple(row[V_X0 : V_Z1 + 1]) for row in np.round(large[0], 9)}

    assert len(small[0]) > 10
    assert {tuple(row[V_X0 : V_Z1 + 1]) for row in np.round(small[0], 9)} <= every


def test_vessel_grid_misses_none():
    """The grid finds what a look at every segment finds."""
    veins = veins_in([-40, -8, 20], [40, 8, 100])
    rows = veins[0]
    start, end = rows[:, :3], rows[:, 3:6]
    met = 0
    for p in np.random.default_rng(4).uniform([-40, -8, 20], [40, 8, 100], (3000, 3)):
        e = end - start
        t = np.clip(((p - start) * e).sum(1) / (e * e).sum(1), 0, 1)
        away = np.linalg.norm(p - start - t[:, None] * e, axis=1) - (
            rows[:, V_R0] + t * (rows[:, V_R0 + 1] - rows[:, V_R0])
        )
        number, outside, *_ = vessel_near(veins, 0, *p)
        assert (number >= 0 and outside < 0) == bool((away < 0).any())
        if number >= 0 and outside < 0:
            met += 1
            assert outside == pytest.approx(away.min(), abs=1e-9)
    assert met > 20


@pytest.mark.parametrize(
    ("kind", "shape", "place"),
    [
        (geometry.SLAB, [3.0], (1.0, 2.0, 0.7)),
        (geometry.SLAB, [3.0], (1.0, 2.0, 2.8)),
        (geometry.BOX, [4.0, 5.0, 2.0], (-3.6, 1.0, 0.5)),
        (geometry.ELLIPSOID, [4.0, 4.0, 4.0], (2.0, 1.0, -2.5)),
        (geometry.CYLINDER, [3.0, 20.0], (1.5, -1.5, 9.0)),
        (geometry.CAP, [9.0, 10.0, 0.5], (1.0, 2.0, -9.2)),
    ],
)
def test_depth_under_the_surface(kind, shape, place):
    """The surface lies at the depth, along the normal: just short of it inside, just beyond it outside."""
    row = np.zeros(geometry.N_PARAMETERS)
    row[[0, 4, 8]] = 1.0
    row[12 : 12 + len(shape)] = shape
    outline = np.zeros((1, outlines.N_OUTLINE))
    depth, *normal = under_surface(kind, row, outline, 0, 0, *place)

    assert depth > 0
    for way, inside in ((depth - 1e-6, True), (depth + 1e-6, False)):
        at = np.array(place) + way * np.array(normal)
        assert geometry.inside_local(kind, row, outline, 0, 0, *at) == inside


def test_a_lining_follows_a_drawn_out_outline():
    """In a square drawn out along y the depth is the way to the nearest side."""
    corners = np.array([[-4.0, -2.0], [4.0, -2.0], [4.0, 2.0], [-4.0, 2.0]])
    outline = outlines.with_bounds(np.column_stack([corners, np.zeros((4, 3))]))
    row = np.zeros(geometry.N_PARAMETERS)
    row[[0, 4, 8]] = 1.0
    row[12:16] = -9, 9, 4.0, 2.0

    assert under_surface(geometry.PRISM, row, outline, 0, 4, 1.0, 0.0, 1.4) == pytest.approx((0.6, 0, 0, 1))
    assert under_surface(geometry.PRISM, row, outline, 0, 4, -3.7, 0.0, 0.5) == pytest.approx((0.3, -1, 0, 0))


def test_points_on_sheets_stay_in_their_solid():
    """Nothing is moved out of a textured tube into what lies round it."""
    tube = {"name": "tube", "shape": "tube", "from_mm": [0, -30, 12], "to_mm": [0, 30, 12], "radius_mm": 4,
            "tissue": "fat"}  # fmt: skip
    job = flow.trace_job(scene(solids=[tube]), 0.0)
    found = flow.points_of(job)
    inside = np.hypot(found.x_mm, found.z_mm - 12) < 4

    assert np.array_equal(inside, found.region == 1)
    assert inside.sum() > 1000
