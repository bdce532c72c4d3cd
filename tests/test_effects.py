"""Effects of the truth that follow from the aperture and from fibres, against sums over elements and formulas."""

from __future__ import annotations

import math

import numpy as np
import pytest

import renderer
from renderer.flow import echoes_of, trace_job
from renderer.tissue.fibres import fibre_db
from renderer.trace.edge_of_field import edge_of_field_db
from tests import closed_forms as cf
from tests.engine_beams import twins_of
from tests.twins import ArrayTwin, LineTwin, one_way

ARRAY = {**cf.PROBE, "elements": 64, "main_bang_db": "none"}  # 19.2 mm
CONVEX = {"kind": "convex", "elements": 64, "pitch_mm": 0.48, "radius_mm": 60, "frequency_mhz": 3.5, "height_mm": 12,
          "lens_focus_mm": 70}  # fmt: skip
LINES = 64


def even(*, probe=ARRAY, seed=5, **machine):
    """Even gelatine and nothing else."""
    settings = {"depth_mm": 42, "focus_mm": [20], "lines": LINES, "noise_db": -180} | machine
    made = cf.scene([], probe=probe, machine=settings, physics={"clutter": False, "secondary": False})
    return made.with_settings({"seed": seed})


def effect_on_lines(made):
    """The effect (L, T) and depth along the lines (T,)."""
    view = echoes_of(trace_job(made, made.scan.steer_rad)).view
    return edge_of_field_db(view), 0.5 * view.assumed * view.plan.time_us, view.plan


# ---- edge of the field ---------------------------------------------------------------------------


def summed_gain(array, line, depth_mm, probe):
    """Energy of T R across a line at a depth by the sum over elements: over frequencies that stand for the band
    (Parseval: the energy of the pulse is the sum of those of its frequencies), with the loss of gelatine."""
    centre, bandwidth = probe["frequency_mhz"], probe["bandwidth_percent"] / 100
    sigma = bandwidth * centre / (2 * math.sqrt(2 * math.log(2)))
    u = np.linspace(-4, 4, 241)
    origin, normal = array.at(line.face_mm)
    points = np.column_stack(
        [
            origin[0] + depth_mm * normal[0] + u * normal[1],
            0 * u,
            origin[1] + depth_mm * normal[1] - u * normal[0],
        ]
    )
    total = 0.0
    for f in centre + sigma * np.linspace(-2.5, 2.5, 17):
        weight = math.exp(-(((f - centre) / sigma) ** 2))
        common = dict(frequency_mhz=f, speed=1.54, alpha_db_cm_mhz=0.5)
        send = one_way(array, line, line.transmit_f_number, line.focus_mm, points, **common)
        hear = one_way(
            array, line, line.receive_f_number, depth_mm, points, shape=line.receive_window, **common
        )
        total += weight * float(np.sum(np.abs(send * hear) ** 2))
    return total


def missed(number, depth_mm):
    """A place at which the effect, and the picture with it, is known to be darker than the sum."""
    reason = "0.6 to 1.2 dB too dark off the focus, where the aperture is cut to half; the cause is not found"
    return pytest.param(
        number, depth_mm, marks=pytest.mark.xfail(strict=True, raises=AssertionError, reason=reason)
    )


@pytest.mark.parametrize(
    ("line_number", "depth_mm"),
    [
        (0, 20.0), (3, 20.0), (8, 20.0), (16, 20.0), (55, 20.0), (3, 10.0), (8, 10.0), (16, 10.0), (8, 30.0), (16, 30.0),
        (8, 40.0), (16, 40.0), (55, 40.0), (3, 30.0), missed(0, 10.0), missed(0, 30.0), missed(0, 40.0), missed(3, 40.0),
    ],
)  # fmt: skip
def test_edge_of_the_field_is_that_of_the_element_sum(line_number, depth_mm):
    """The same ratio by a plain sum over the elements, with the array and with one that is three times as long.

    0.5 dB: at a cut aperture a beamlet, a thirteenth of the width, counts as a whole or by its part."""
    made = even()
    effect, depth, plan = effect_on_lines(made)
    _, middle = twins_of(made)
    fields = {k: getattr(middle, k) for k in middle.__dataclass_fields__ if k != "face_mm"}
    line = LineTwin(face_mm=float(plan.face_mm[line_number]), **fields)
    n, pitch = ARRAY["elements"], ARRAY["pitch_mm"]
    have, whole = (summed_gain(ArrayTwin(m, pitch), line, depth_mm, ARRAY) for m in (n, 3 * n))

    got = float(np.interp(depth_mm, depth, effect[line_number]))
    assert got == pytest.approx(10 * math.log10(have / whole), abs=0.5)


def test_lines_in_the_middle_lack_nothing():
    """0 dB where the aperture asked for lies on the array: half of depth / F-number from its ends; below 0 beyond."""
    effect, depth, plan = effect_on_lines(even(transmit_f_number=3))
    half = np.maximum(20 / 6, depth / 4)  # as wide as the wider of the two, while the channels allow
    room = 9.6 - np.abs(plan.face_mm)
    inside = (room[:, None] > half[None] + 0.6) & (half[None] < 9.0)

    assert inside.any()
    assert np.abs(effect[inside]).max() < 0.05
    assert effect[0, np.searchsorted(depth, 20)] < -6
    assert (np.diff(effect[:20, np.searchsorted(depth, 25)]) > -1e-6).all()
    np.testing.assert_allclose(effect, effect[::-1], atol=1e-3)


def test_a_sector_has_no_edge():
    """All of its lines leave the middle of the array."""
    sector = {
        "kind": "sector",
        "elements": 64,
        "pitch_mm": 0.27,
        "frequency_mhz": 2.8,
        "height_mm": 13,
        "lens_focus_mm": 75,
    }
    effect, _, _ = effect_on_lines(even(probe=sector, depth_mm=80, focus_mm=[50], lines=40))

    assert (effect == 0).all()


@pytest.mark.parametrize("probe", [ARRAY, CONVEX], ids=["linear", "convex"])
def test_even_gelatine_is_darker_by_the_effect(probe):
    """Mean power of the outer lines re the middle ones, in windows of depth, over eight seeds, against the mean of the
    effect there: 1 dB.

    A window holds some three by twelve resolution cells, so eight seeds give 300, and the ratio of two means a standard
    deviation of 0.35 dB; 1 dB is three of them.
    """
    settings = {} if probe is ARRAY else {"depth_mm": 90, "focus_mm": [45]}
    made = even(probe=probe, **settings)
    effect, depth, _ = effect_on_lines(made)
    scale = made.scan.depth_mm / 42
    windows = [(depth > scale * z) & (depth < scale * (z + 6)) for z in (8, 16, 24, 32)]
    outer, middle = np.zeros(4), np.zeros(4)
    for seed in range(8):
        power = np.abs(renderer.render(made, seed=seed).lines) ** 2
        for k, window in enumerate(windows):
            outer[k] += power[:5, window].mean() + power[-5:, window].mean()
            middle[k] += 2 * power[LINES // 2 - 6 : LINES // 2 + 6, window].mean()
    for k, window in enumerate(windows):
        gain = 10 ** (effect / 10)
        want = gain[:5, window].mean() / gain[LINES // 2 - 6 : LINES // 2 + 6, window].mean()
        assert 10 * math.log10(outer[k] / middle[k]) == pytest.approx(10 * math.log10(want), abs=1.0)


def test_edge_of_the_field_has_a_layer_and_a_mask():
    """In the picture as on the lines: negative at both sides, 0 in the middle, its mask from -3 dB on."""
    frame = renderer.render(even())
    layer = frame.truth.effect_db["edge_of_field"]
    mask = frame.truth.mask("edge_of_field")
    row = int(np.argmin(np.abs(frame.z_mm - 20)))

    assert np.isfinite(layer[frame.in_view]).all()
    assert np.isnan(layer[~frame.in_view]).all()
    assert (mask == (np.nan_to_num(layer) <= -3)).all()
    assert mask[row, 1] and mask[row, -2]
    assert not mask[row, mask.shape[1] // 2 - 40 : mask.shape[1] // 2 + 40].any()


def test_a_part_at_the_end_knows_of_the_end():
    """A part of the face that ends with the array lacks elements on that side only; one in the middle lacks none."""
    end, _, _ = effect_on_lines(even(view_mm=[-9.6, -5], lines=16))
    middle, depth, _ = effect_on_lines(even(view_mm=[-2, 2], lines=16))
    at = np.searchsorted(depth, 20)

    assert end[0, at] < -6 < -3 < end[-1, at]
    assert np.abs(middle[:, at]).max() < 0.05


# ---- fibres --------------------------------------------------------------------------------------

FIBRES = {"direction_deg": 0, "drop_db": 18, "half_angle_deg": 30}


def rope(direction_deg=0.0, **machine):
    """A block of fibres under a layer of gelatine, in a fan of lines."""
    tissues = {"rope": {"like": "gelatine", "anisotropy": {**FIBRES, "direction_deg": direction_deg}}}
    block = {"name": "block", "shape": "slab", "top_mm": 10, "bottomless": True, "tissue": "rope"}
    settings = {"depth_mm": 32, "focus_mm": [22], "lines": 48, "noise_db": -180} | machine
    return cf.scene(
        [block],
        tissues=tissues,
        probe=ARRAY,
        machine=settings,
        physics={"clutter": False, "secondary": False},
    )


def wanted_db(off_deg):
    """The tissue key: falls with the square of the angle off the perpendicular, and stays from the half angle on."""
    return -18 * np.minimum(1.0, np.abs(off_deg) / 30) ** 2


@pytest.mark.parametrize("direction_deg", [0.0, 12.0])
def test_anisotropy_follows_the_angle_to_the_fibres(direction_deg):
    """By the formula of the key, for lines that fan out, within 0.05 dB (float32, and between two lines); 0 above."""
    frame = renderer.render(rope(direction_deg, view_deg=[-25, 25]))
    layer = frame.truth.effect_db["anisotropy"]
    x, z = np.meshgrid(frame.x_mm, frame.z_mm)
    edge = math.tan(math.radians(25))
    behind = 9.6 / edge
    # Fibres at an angle a run down to the right for positive a, and their perpendicular leans to the left
    off = np.degrees(np.arctan2(x, z + behind)) + direction_deg
    # Beyond the outer lines the layer goes on as on them
    outer = math.degrees(math.atan(edge * 47 / 48))
    between = frame.in_view & (np.abs(np.degrees(np.arctan2(x, z + behind))) < outer)
    # At the half angle the law has a corner, which lies between two lines, 1.1 degrees apart
    below, above = between & (z > 10.2) & (np.abs(np.abs(off) - 30) > 1.1), between & (z < 9.8)

    np.testing.assert_allclose(layer[below], wanted_db(off)[below], atol=0.05)
    assert (layer[above] == 0).all()
    assert np.isnan(layer[~frame.in_view]).all()
    assert (frame.truth.mask("anisotropy") == (np.nan_to_num(layer) <= -3)).all()


def test_anisotropy_takes_the_ray_as_it_is_bent():
    """Below an oblique surface the ray leaves by Snell's law, and it is that direction that meets the fibres."""
    tissues = {
        "rope": {"like": "gelatine", "anisotropy": FIBRES},
        "slow": {"like": "gelatine", "speed_m_s": 1400, "density_kg_m3": 1100},
    }
    solids = [
        {"name": "layer", "shape": "slab", "top_mm": 8, "bottomless": True, "tissue": "slow"},
        {
            "name": "block",
            "shape": "slab",
            "top_mm": 12,
            "bottomless": True,
            "tilt_deg": 25,
            "tissue": "rope",
        },
    ]
    made = cf.scene(
        solids, tissues=tissues, probe=ARRAY, machine={"depth_mm": 32, "focus_mm": [22], "lines": 48}
    )
    frame = renderer.render(made)
    turn = math.asin(math.sin(math.radians(25)) * 1540 / 1400) - math.radians(25)
    layer = frame.truth.effect_db["anisotropy"]
    middle, row = layer.shape[1] // 2, int(np.argmin(np.abs(frame.z_mm - 26)))

    assert layer[row, middle] == pytest.approx(wanted_db(math.degrees(turn)), abs=0.05)


def test_fibres_are_darker_in_the_picture_by_the_effect():
    """Steered lines on fibres along the face, re upright ones, over five seeds: 1 dB, three standard deviations of the
    ratio of two means over 500 cells each. The fan and the sector, whose lines have a direction each, as well."""
    levels = {}
    for steer in (0, 20):
        power, lines = 0.0, slice(16, 32)
        for seed in range(5):
            frame = renderer.render(rope(steer_deg=steer), seed=seed)
            depth = 0.77 * frame.time_us
            power += (np.abs(frame.lines[lines][:, (depth > 14) & (depth < 30)]) ** 2).mean()
        levels[steer] = 10 * math.log10(power)
    plain = [
        10 * math.log10(np.mean([
            (np.abs(renderer.render(rope(steer_deg=s).with_settings({"tissues.rope.anisotropy": None}), seed=seed).lines[16:32]) ** 2)[:, 440:940].mean()
            for seed in range(5)
        ]))
        for s in (0, 20)
    ]  # fmt: skip
    assert (levels[20] - levels[0]) - (plain[1] - plain[0]) == pytest.approx(wanted_db(20), abs=1.0)


def test_the_level_of_fibres_by_hand():
    """Square on 0 dB, a quarter of the drop at half the half angle, all of it from there on; whichever way round."""
    fibre = np.array([0.0, 18.0, math.radians(30)])
    for off_deg in (0, 10, 15, 30, 60, -15):
        a = math.radians(off_deg)
        assert fibre_db(fibre, math.sin(a), 0.0, math.cos(a)) == pytest.approx(wanted_db(off_deg), abs=1e-9)
        assert fibre_db(fibre, -3 * math.sin(a), 0.0, -3 * math.cos(a)) == pytest.approx(
            wanted_db(off_deg), abs=1e-9
        )
    assert fibre_db(fibre, 0.0, 1.0, 1.0) == pytest.approx(0.0, abs=1e-9)  # out of the plane, still square on


def test_a_scene_may_show_them():
    tree = {
        "title": "t", "shows": ["anisotropy", "edge_of_field"],
        "phantom": {"background": "gelatine", "solids": []}, "probe": cf.PROBE,
    }  # fmt: skip
    assert renderer.parse_scene(tree).shows == ("anisotropy", "edge_of_field")
