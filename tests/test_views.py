"""Parts of the view, and linear probes whose lines fan out, against geometry."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

import renderer
from renderer.errors import SettingError
from renderer.flow import echoes_of, trace_job
from renderer.measure.position import picture_peak
from renderer.probe.plan import scan_plan
from renderer.teach.sweeps import sweep
from renderer.trace.surfaces import line_at
from tests import closed_forms as cf

STILL = {"still": {"like": "gelatine", "backscatter_db": "none"}}
CONVEX = {"kind": "convex", "elements": 128, "pitch_mm": 0.48, "radius_mm": 60, "frequency_mhz": 3.5, "height_mm": 12,
          "lens_focus_mm": 70}  # fmt: skip
SECTOR = {"kind": "sector", "elements": 64, "pitch_mm": 0.27, "frequency_mhz": 2.8, "bandwidth_percent": 70,
          "height_mm": 13, "lens_focus_mm": 75, "sector_deg": 80}  # fmt: skip
SMALL = {**cf.PROBE, "elements": 64}
QUIET = {**SMALL, "main_bang_db": "none"}  # the ring of the face is drawn anew for each picture


def wire(x_mm, z_mm):
    """A thin wire across the picture."""
    return {"name": f"w {x_mm:g} {z_mm:g}".replace("-", "m"), "shape": "wire", "from_mm": [x_mm, -60, z_mm],
            "to_mm": [x_mm, 60, z_mm], "diameter_mm": 0.1, "tissue": "steel"}  # fmt: skip


def still(solids, *, probe=cf.PROBE, **machine):
    """A scene of wires in a tissue without speckle."""
    return cf.scene(solids, tissues=STILL, background="still", probe=probe, machine=machine)


def plan_of(made):
    return scan_plan(made.probe, made.scan, steer_rad=made.scan.steer_rad)


def angles_deg(frame):
    return np.degrees(np.arctan2(frame.line_direction[:, 0], frame.line_direction[:, 2]))


# ---- one picture said in two ways ----------------------------------------------------------------


@pytest.mark.parametrize(
    ("probe", "one", "other"),
    [
        (SMALL, {"view_deg": [0, 0]}, {}),
        (SMALL, {"view_deg": [10, 10]}, {"steer_deg": 10}),
        (SMALL, {"view_mm": [-9.6, 9.6]}, {}),
        (SMALL, {"view_deg": [-5, 5], "steer_deg": 5}, {"view_deg": [0, 10]}),
        (SECTOR, {"view_deg": [-40, 40]}, {}),
    ],
)
def test_two_ways_to_say_one_view(probe, one, other):
    """The same pixels, grey for grey."""
    solids = [
        wire(2, 20),
        {"name": "pea", "shape": "ellipsoid", "centre_mm": [-3, 0, 15], "radii_mm": 2, "tissue": "water"},
    ]
    machine = {"depth_mm": 30, "focus_mm": [20], "lines": 48}
    a, b = (renderer.render(cf.scene(solids, probe=probe, machine=machine | more)) for more in (one, other))

    np.testing.assert_array_equal(a.image, b.image)
    assert a.image[a.in_view].std() > 5


def test_a_part_of_the_face_is_that_part_of_the_whole_picture():
    """Half of the lines over half of the face stand where those of the whole view do: the same echoes, 1e-5 of the
    strongest (places of lines differ by rounding). The haze is left out: it takes in neighbouring lines."""
    solids = [
        wire(-6, 20),
        {"name": "pea", "shape": "ellipsoid", "centre_mm": [-3, 0, 15], "radii_mm": 2, "tissue": "water"},
    ]
    machine = {"depth_mm": 30, "focus_mm": [20]}
    whole, part = (
        renderer.render(cf.scene(solids, probe=QUIET, machine=machine | more, physics={"clutter": False}))
        for more in ({"lines": 64}, {"lines": 32, "view_mm": [-9.6, 0]})
    )

    np.testing.assert_allclose(part.line_origin_mm, whole.line_origin_mm[:32], atol=1e-12)
    np.testing.assert_allclose(part.lines, whole.lines[:32], atol=1e-5 * np.abs(whole.lines).max())
    assert part.x_mm[-1] < 0 < whole.x_mm[-1]


# ---- geometry ------------------------------------------------------------------------------------


@pytest.mark.parametrize("stretch", [None, [-15.0, 5.0]])
@pytest.mark.parametrize("edges", [(-20.0, 20.0), (-5.0, 25.0), (4.0, 16.0)])
def test_lines_of_a_fan_come_from_one_point(edges, stretch):
    """Evenly spaced on the face; at the edges of the stretch, half a gap beyond the outer lines, as steep as said;
    and all through the one point behind the face where the two edges meet."""
    made = still([], view_deg=list(edges), **({} if stretch is None else {"view_mm": stretch}))
    plan = plan_of(made)
    low, high = stretch or (-19.2, 19.2)
    t0, t1 = (math.tan(math.radians(a)) for a in edges)
    behind = (high - low) / (t1 - t0)
    apex = low - behind * t0
    tangent = plan.line_direction[:, 0] / plan.line_direction[:, 2]

    assert plan.face_mm == pytest.approx(low + (high - low) * (np.arange(128) + 0.5) / 128, abs=1e-9)
    assert plan.line_origin_mm[:, 0] - behind * tangent == pytest.approx(np.full(128, apex), abs=1e-9)
    assert np.hypot(plan.line_direction[:, 0], plan.line_direction[:, 2]) == pytest.approx(np.ones(128))
    assert np.interp(low, plan.face_mm[:2], tangent[:2], left=None) == pytest.approx(tangent[0], abs=1e-9)
    assert 1.5 * tangent[0] - 0.5 * tangent[1] == pytest.approx(t0, abs=1e-9)


def test_the_trapezoid_is_in_view_and_nothing_else():
    """Between the two edges and above the arc of equal depth; a pixel's width is left open at the rim."""
    frame = renderer.render(still([], view_deg=[-20, 15], depth_mm=40, focus_mm=[20], lines=64))
    x, z = np.meshgrid(frame.x_mm, frame.z_mm)
    t0, t1 = math.tan(math.radians(-20)), math.tan(math.radians(15))
    behind = 38.4 / (t1 - t0)
    apex = -19.2 - behind * t0
    r = np.hypot(x - apex, z + behind)
    depth = r * z / (z + behind)
    inside = np.minimum.reduce([x + 19.2 - t0 * z, 19.2 + t1 * z - x, 40 - depth, z])
    sure = np.abs(inside) > 1.5 * (frame.x_mm[1] - frame.x_mm[0])

    assert (frame.in_view == (inside > 0))[sure].all()
    assert frame.in_view[-40:].any(axis=0).sum() > 1.3 * frame.in_view[5].sum()


@pytest.mark.parametrize(
    ("probe", "machine"),
    [
        (cf.PROBE, {"view_deg": [-20, 10]}),
        (cf.PROBE, {"view_deg": [0, 20], "view_mm": [-10, 3]}),
        (cf.PROBE, {"view_deg": [-8, 8], "steer_deg": 12}),
        (cf.PROBE, {"steer_deg": -12}),
        (CONVEX, {}),
        (CONVEX, {"steer_deg": 9}),
        (CONVEX, {"view_deg": [5, 25], "steer_deg": -9}),
        (SECTOR, {"view_deg": [-30, 10]}),
    ],
)
def test_the_line_through_a_place(probe, machine):
    """Direction and distance along the line for places laid out along the lines themselves: 1e-9."""
    made = still([], probe=probe, depth_mm=60, focus_mm=[30], **machine)
    plan = plan_of(made)
    rng = np.random.default_rng(3)
    line, s = rng.integers(0, plan.n_lines, 200), rng.uniform(1, 60, 200)
    place = plan.line_origin_mm[line] + s[:, None] * plan.line_direction[line]
    dx, dz, along = line_at(place[:, 0], place[:, 2], plan.fan)

    np.testing.assert_allclose(dx, plan.line_direction[line, 0], atol=1e-9)
    np.testing.assert_allclose(dz, plan.line_direction[line, 2], atol=1e-9)
    np.testing.assert_allclose(along, s, atol=1e-8)


@pytest.mark.parametrize("probe", [CONVEX, SECTOR], ids=["convex", "sector"])
def test_a_part_of_a_fan_has_finer_lines(probe):
    """All lines within the part, evenly in angle, the edges half a gap beyond the outer ones."""
    made = still([], probe=probe, depth_mm=60, focus_mm=[30], view_deg=[-20, 10], lines=60)
    whole = still([], probe=probe, depth_mm=60, focus_mm=[30], lines=60)
    part, full = (plan_of(m) for m in (made, whole))
    angle = np.degrees(np.arctan2(part.line_direction[:, 0], part.line_direction[:, 2]))

    assert angle == pytest.approx(-20 + 0.5 * (np.arange(60) + 0.5), abs=1e-9)
    gap = part.line_spacing_mm(np.array([40.0]))[0] / full.line_spacing_mm(np.array([40.0]))[0]
    assert gap == pytest.approx(30 / (80 if probe is SECTOR else 2 * math.degrees(0.24 * 128 / 60)), rel=1e-9)
    origin = part.line_origin_mm
    radius = 60.0 if probe is CONVEX else 0.0
    assert np.hypot(origin[:, 0], origin[:, 2] + radius) == pytest.approx(np.full(60, radius), abs=1e-9)


# ---- what is shown -------------------------------------------------------------------------------

FAN_PLACES = (
    (0.0, 12.0),
    (-8.0, 20.0),
    (9.0, 30.0),
    (-22.0, 38.0),
    (21.0, 35.0),
    (-14.0, 48.0),
    (25.0, 46.0),
)


def shown(frame, places):
    """Brightest places by wires less their true places, (n, 2)."""
    found = [picture_peak(frame.level_db, frame.x_mm, frame.z_mm, near_mm=p, within_mm=2.5) for p in places]
    return np.array([(f.x_mm - p[0], f.z_mm - p[1]) for f, p in zip(found, places, strict=True)])


def test_wires_of_a_fan_are_shown_where_they_are():
    """Within 0.1 mm, a line gap at these depths being 0.35 to 0.55 mm and the beam 0.5 to 1 mm wide; also to the side
    of the face, where only the fan reaches."""
    frame = renderer.render(
        still([wire(*p) for p in FAN_PLACES], view_deg=[-20, 20], pixel_mm=0.05, lines=192)
    )

    assert np.abs(shown(frame, FAN_PLACES)).max() < 0.1


def test_wires_of_the_block_are_shown_where_they_are():
    """The shipped block in a fan: 0.1 mm, for the wire behind a cyst as well. With 256 lines and pixels of 0.04 mm: a
    spot that lies aslant, read along x and along z by itself, is off by a pixel, and one of 128 lines, which lie 0.53 mm
    apart at 40 mm, by a third of that."""
    settings = {"machine.view_deg": [-20, 20], "machine.lines": 256, "machine.pixel_mm": 0.04}
    frame = renderer.render(renderer.read_scene("block").with_settings(settings))

    places = [(0, 10), (0, 20), (0, 30), (0, 40), (0, 50), (-10, 40), (10, 40)]
    assert np.abs(shown(frame, places)).max() < 0.1


@pytest.mark.parametrize("probe", [CONVEX, SECTOR], ids=["convex", "sector"])
def test_a_part_shows_what_the_whole_shows(probe):
    """Wires within the part stand where they are in both pictures, 0.25 mm (lines of the whole are 1 mm apart at the
    deepest, and a third of it in the part), at the same level: 1 dB, what falls between two lines of the whole."""
    places = ((-12.0, 40.0), (-8.0, 62.0), (3.0, 50.0), (-20.0, 70.0))
    base = {"depth_mm": 85, "focus_mm": [60], "pixel_mm": 0.1, "noise_db": -180}
    whole, part = (
        renderer.render(still([wire(*p) for p in places], probe=probe, **base, **more))
        for more in ({}, {"view_deg": [-25, 8]})
    )
    assert part.in_view.sum() < 0.6 * whole.in_view.sum()
    for frame in (whole, part):
        assert np.abs(shown(frame, places)).max() < 0.25
    levels = [
        [picture_peak(f.level_db, f.x_mm, f.z_mm, near_mm=p, within_mm=2).level_db for p in places]
        for f in (whole, part)
    ]
    np.testing.assert_allclose(levels[1], levels[0], atol=1.0)


def test_truth_of_a_fan_is_geometry():
    """Region at each pixel's centre; and seen where it is, in one speed throughout, but within half a line of a border."""
    body = {"name": "body", "shape": "tube", "from_mm": [18, -40, 30], "to_mm": [18, 40, 30], "radius_mm": 6,
            "tissue": "fluid"}  # fmt: skip
    made = cf.scene(
        [body], tissues={"fluid": {"like": "gelatine", "backscatter_db": "none"}},
        machine={"depth_mm": 45, "view_deg": [-20, 20]},
    )  # fmt: skip
    frame = renderer.render(made)
    x, z = np.meshgrid(frame.x_mm, frame.z_mm)
    away, view = np.hypot(x - 18, z - 30) - 6, frame.in_view

    assert ((frame.truth.there == 1) == (away < 0))[view].all()
    sure = view & (np.abs(away) > 0.4)
    assert ((frame.truth.seen == 1) == (away < 0))[sure].all()
    off = np.abs(frame.truth.origin_mm[..., [0, 2]] - np.stack([x, z], -1))[view & (z > 1)]
    assert off.max() < 1e-3
    shares = sum(np.nan_to_num(share) for share in frame.truth.share.values())
    np.testing.assert_allclose(shares[view], 1.0, atol=1e-5)
    inside, around = view & (away < -2), view & (away > 2) & (away < 6)
    assert frame.level_db[inside].mean() < frame.level_db[around].mean() - 20
    rows = frame.explain(18.0, 38.0)
    assert rows[0]["class"] == "direct"
    with pytest.raises(SettingError, match="out of view"):
        frame.explain(frame.x_mm[0] + 0.5, 2.0)


def test_a_plate_sends_its_repeats_home_on_the_lines_that_meet_it():
    """A plate square on to the axis: its reverberation at twice the depth (0.3 mm, half a pulse) where lines are upright,
    and gone where they come in at more than 15 degrees, whose echo leaves to the side."""
    plate = {"name": "p", "shape": "slab", "top_mm": 15, "bottomless": True, "tissue": "steel"}
    made = cf.scene([plate], machine={"depth_mm": 40, "focus_mm": [30], "view_deg": [-20, 20]})
    view, level, depth, names = cf.lines_of(made)
    angle = np.degrees(np.arctan2(view.plan.line_direction[:, 0], view.plan.line_direction[:, 2]))
    near = np.flatnonzero((depth > 29) & (depth < 33))
    heard = level[names.index("reverberation")][:, near]
    middle = np.abs(angle) < 3
    at = depth[near][heard[middle].argmax(axis=1)]

    assert at == pytest.approx(np.full(middle.sum(), 30.0), abs=0.3)
    assert heard[middle].max() > heard[np.abs(angle) > 15].max() + 30


def test_grating_lobes_lie_where_the_pitch_puts_them():
    """sin t = sin t_line + wavelength / pitch (any textbook of arrays): of the lines of a fan those hear a wire by a
    grating lobe from whose feet it stands in that direction.

    Of a short pulse each direction holds the frequency whose lobe it is: the strongest is that of the centre (15 %, as
    elements hear lower frequencies better at an angle), and what has half of its power lies within the band at half
    amplitude, 30 % either way. Lines of all orders from 0 to 1.7 are there to hear it. In a medium without loss, so that
    the band is that of the pulse.
    """
    free = {"still": {**STILL["still"], "attenuation_db_cm_mhz": 0}}
    made = cf.scene(
        [wire(16, 30)], tissues=free, background="still", machine={"view_deg": [-25, 25], "noise_db": -180}
    )
    view = echoes_of(trace_job(made, 0.0))
    power = (np.abs(view.iq[view.class_names.index("grating_lobe")]) ** 2).sum(axis=1)
    origin, direction = view.plan.line_origin_mm, view.plan.line_direction
    gx, gz = 16 - origin[:, 0], 30 - origin[:, 2]
    order = np.abs(gx / np.hypot(gx, gz) - direction[:, 0]) * 0.3 / (1.54 / 7.5)
    strong = power > 0.5 * power.max()

    assert order.min() < 0.1 < 1.6 < order.max()
    assert power.max() > 0
    assert order[power.argmax()] == pytest.approx(1.0, abs=0.15)
    assert order[strong].min() > 1 / 1.3
    assert order[strong].max() < 1 / 0.7


def test_reference_tissue_keeps_its_level_in_a_part_at_the_end_of_the_array():
    """The factory curve is that of the whole array: a part is as bright as the same place of the whole picture.

    The same scatterers, seen on lines of other places: 0.5 dB of the mean level over some 300 cells."""
    machine = {"depth_mm": 40, "focus_mm": [20], "noise_db": -180}
    levels = []
    for more in ({}, {"view_mm": [-19.2, -13.2], "lines": 40}):
        frame = renderer.render(cf.scene([], machine=machine | more, physics={"secondary": False}))
        x, z = np.meshgrid(frame.x_mm, frame.z_mm)
        on = frame.in_view & (x < -14) & (z > 5) & (z < 38)
        levels.append(10 * math.log10(np.mean(10 ** (frame.level_db[on] / 10))))
    assert levels[1] == pytest.approx(levels[0], abs=0.5)


def test_compound_views_of_a_fan_turn_with_their_angle():
    """Edges of each view are those of the fan, turned by its angle; the picture is that of the plain view."""
    made = still(
        [wire(5, 25)], view_deg=[-10, 10], compound_deg=[-6, 0, 6], depth_mm=40, focus_mm=[25], lines=48
    )
    frame = renderer.render(made)
    plans = [scan_plan(made.probe, made.scan, steer_rad=math.radians(a)) for a in (0, -6, 6)]

    for plan, turn in zip(plans, (0, -6, 6), strict=True):
        tangent = plan.line_direction[:, 0] / plan.line_direction[:, 2]
        edges = 1.5 * tangent[0] - 0.5 * tangent[1], 1.5 * tangent[-1] - 0.5 * tangent[-2]
        assert np.degrees(np.arctan(edges)) == pytest.approx([-10 + turn, 10 + turn], abs=1e-9)
    assert frame.views.shape[0] == 3
    assert np.abs(shown(frame, [(5, 25)])).max() < 0.15  # lines 0.9 mm apart
    assert angles_deg(frame)[[0, -1]] == pytest.approx([-10, 10], abs=0.3)


def test_a_series_through_views_starts_anew_where_the_pixels_move():
    """Persistence mixes pictures of the same pixels only: the first picture of another view is that of this view alone."""
    made = still([wire(2, 20)], probe=SMALL, depth_mm=30, focus_mm=[20], lines=32, persistence=0.9)
    changes = [{}, {"machine.view_mm": [-8, 0]}, {"machine.view_mm": [0, 8]}]
    frames = renderer.render_series(made, changes)
    alone = renderer.render_series(made, [{}, {}, changes[2]])

    assert frames[1].image.shape == frames[2].image.shape
    np.testing.assert_array_equal(frames[2].image, alone[2].image)


def test_pulses_do_not_depend_on_the_view():
    """As many lines and as fast, finer or not."""
    made = still([], probe=SMALL, depth_mm=30, focus_mm=[20], lines=24)
    frames = [renderer.render(made.with_settings({"machine.view_mm": v})) for v in (None, [-3, 3])]

    assert len({f.manifest["pulse_interval_us"] for f in frames}) == 1
    assert {f.lines.shape[0] for f in frames} == {24}


def test_a_narrow_view_still_has_a_picture():
    """The narrowest stretch, off the middle, with pixels wider than it."""
    made = still([], probe=SMALL, depth_mm=30, focus_mm=[20], lines=2, view_mm=[4.1, 5.3], pixel_mm=2)
    frame = renderer.render(made)

    assert len(frame.x_mm) >= 2
    assert frame.in_view.any()


def test_left_is_the_mirror_of_right():
    """Views and wires turned over: 1e-3 of the strongest (single precision, order of sums). Each by its own strongest:
    of an even number of lines the factory curve is made on the one right of the middle, which a fan turns a little."""
    one = still([wire(-6, 20)], probe=QUIET, view_deg=[-18, 4], view_mm=[-9, 5], lines=40, depth_mm=30)
    other = still([wire(6, 20)], probe=QUIET, view_deg=[-4, 18], view_mm=[-5, 9], lines=40, depth_mm=30)
    a, b = (np.abs(renderer.render(m).lines) for m in (one, other))

    assert np.abs(a / a.max() - b[::-1] / b.max()).max() < 1e-3
    assert a.max() == pytest.approx(b.max(), rel=0.03)


def test_the_scene_keeps_what_it_says():
    made = still([], view_deg=[-12, 8.5], view_mm=[-18, 19])

    assert made.scan.view_mm == (-18.0, 19.0)
    assert made.scan.view_rad == pytest.approx((math.radians(-12), math.radians(8.5)))
    assert replace(made.scan, view_mm=None, view_rad=None).view_rad is None
    with pytest.raises(SettingError, match=r"machine.view_mm\[0\]: -20 lies off the face, -19.2..19.2"):
        made.with_settings({"machine.view_mm": [-20, 5]})


def test_a_sweep_opens_the_fan():
    """One edge of a list runs through its values: the picture widens with it, the other edge stays."""
    made = still([wire(2, 20)], probe=SMALL, depth_mm=30, focus_mm=[20], lines=24, view_deg=[-5, 0])
    found = sweep(made, ["machine.view_deg[1]=0:20:3"])

    right = [shot.extent_mm[1] for shot in found.shots]
    assert np.diff(right) == pytest.approx(30 * np.diff(np.sin(np.radians([0, 10, 20]))), abs=0.2)
    assert len({shot.extent_mm[0] for shot in found.shots}) == 1
