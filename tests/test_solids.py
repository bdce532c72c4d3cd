"""Solids of many pieces: chains, bevelled needles, grains and label pictures, against second descriptions of them."""

from __future__ import annotations

import math

import numpy as np
import pytest
from PIL import Image
from scipy.ndimage import maximum_filter, minimum_filter
from scipy.optimize import minimize_scalar

import renderer
from renderer.flow import trace_job
from renderer.tissue import geometry as g
from renderer.tissue.label_arcs import label_outlines, smooth_arc, trace_arcs
from renderer.tissue.outlines import MAX_HITS
from renderer.trace.echoes import start_view

PROBE = {
    "kind": "linear",
    "elements": 96,
    "pitch_mm": 0.25,
    "frequency_mhz": 6,
    "height_mm": 4,
    "lens_focus_mm": 18,
}


def scene(solids, *, folder=None, machine=None, pose=None, background="gelatine"):
    """A small scene."""
    tree = {
        "title": "solids", "phantom": {"background": background, "solids": solids}, "probe": PROBE,
        "pose": pose or {}, "machine": {"depth_mm": 30, "lines": 96, "focus_mm": [15]} | (machine or {}),
    }  # fmt: skip
    return renderer.parse_scene(tree, folder=folder)


def painted(solids, folder=None):
    """The painted solids of a scene in the frame of an unmoved probe, which is that of the world."""
    return start_view(trace_job(scene(solids, folder=folder), 0.0))[0].painted


def changes(phantom, place, direction, reach=200.0):
    """Distances along a ray at which the region changes, and the regions after."""
    solids = (
        phantom.kinds,
        phantom.rows,
        phantom.outline,
        phantom.outline_span,
        phantom.region,
        phantom.traced,
    )
    hits = np.empty(MAX_HITS)
    found, gone = [], 0.0
    top = g.top_at(*solids[:4], phantom.traced, len(phantom.kinds), *place)
    while len(found) < 50:
        at = place + gone * direction
        t, after, _, top = g.next_crossing(*solids, *at, *direction, reach - gone, top, hits)
        if t < 0:
            return found
        gone += t
        found.append((gone, phantom.regions[after].name))
        gone += g.START_GAP_MM
    return found


def region_name(phantom, place):
    solids = (
        phantom.kinds,
        phantom.rows,
        phantom.outline,
        phantom.outline_span,
        phantom.region,
        phantom.traced,
    )
    return phantom.regions[g.region_at(*solids, False, *place)].name


# ---- chains --------------------------------------------------------------------------------------

BENT = [[-8.0, 0.0, 10.0], [-2.0, 3.0, 14.0], [4.0, -1.0, 13.0], [9.0, 0.0, 20.0]]
RADII = [2.0, 3.0, 1.5, 2.5]


def depth_in_chain(points, radii, place):
    """How deep a place lies in the spheres that run along the points, their radius changing evenly: the definition."""
    deepest = -math.inf
    for a, b, ra, rb in zip(points, points[1:], radii, radii[1:]):
        a, b = np.array(a), np.array(b)
        found = minimize_scalar(
            lambda t: np.linalg.norm(place - a - t * (b - a)) - ra - t * (rb - ra),  # noqa: B023
            bounds=(0, 1), method="bounded", options={"xatol": 1e-9},
        )  # fmt: skip
        ends = [np.linalg.norm(place - a) - ra, np.linalg.norm(place - b) - rb]
        deepest = max(deepest, -min(found.fun, *ends))
    return deepest


def test_a_chain_is_the_spheres_that_run_along_it():
    """A place is inside where a sphere of the way covers it. 1e-6 mm: places nearer the surface are left out."""
    phantom = painted(
        [{"name": "v", "shape": "chain", "points_mm": BENT, "radius_mm": RADII, "tissue": "blood"}]
    )
    rng = np.random.default_rng(1)
    inside = 0
    for place in rng.uniform([-12, -5, 6], [13, 7, 24], (600, 3)):
        deep = depth_in_chain(BENT, RADII, place)
        if abs(deep) > 1e-6:
            assert (region_name(phantom, place) == "v") == (deep > 0)
            inside += deep > 0
    assert 40 < inside < 560


def test_rays_meet_a_chain_on_its_surface_and_nowhere_inside():
    """Each change of region lies on the surface (to 1e-6 mm: a quadratic in double precision), in and out by turns,
    so that joints make no surfaces; the normal is the gradient of the depth (central differences of 1e-4 mm)."""
    phantom = painted(
        [{"name": "v", "shape": "chain", "points_mm": BENT, "radius_mm": RADII, "tissue": "blood"}]
    )
    rng = np.random.default_rng(2)
    met = 0
    for _ in range(300):
        start = rng.uniform([-12, -5, 1], [13, 7, 2])
        aim = rng.uniform([-9, -2, 9], [10, 3, 21])
        direction = (aim - start) / np.linalg.norm(aim - start)
        found = changes(phantom, start, direction)
        assert [name for _, name in found] == ["v", "background"] * (len(found) // 2)
        for t, _ in found:
            place = start + t * direction
            assert depth_in_chain(BENT, RADII, place) == pytest.approx(0, abs=1e-5)
            met += 1
        for (a, _), (b, _) in zip(found[::2], found[1::2]):
            assert depth_in_chain(BENT, RADII, start + 0.5 * (a + b) * direction) > 0
    assert met > 200


def test_normal_and_curvature_of_a_cone_between_spheres():
    """Normal: gradient of the distance. Curvature along a tangent: minus the change of the normal along it
    (differential geometry); differences over 1e-3 mm on a curve of some mm leave 1e-5 1/mm, from memory."""
    phantom = painted(
        [{"name": "v", "shape": "chain", "points_mm": BENT[:2], "radius_mm": RADII[:2], "tissue": "blood"}]
    )
    kind, row, rng = phantom.kinds[-1], phantom.rows[-1], np.random.default_rng(3)
    args = kind, row, phantom.outline, 0, 0

    def foot(place):  # the nearest point of the surface
        for _ in range(40):
            step = depth_in_chain(BENT[:2], RADII[:2], place)
            n = np.array(g.surface_shape(*args, *place, 1.0, 0.0, 0.0)[:3])
            place = place + step * n
        return place

    for _ in range(40):
        place = foot(rng.uniform([-11, -4, 6], [2, 7, 18]))
        tangent = rng.normal(size=3)
        n = np.array(g.surface_shape(*args, *place, *tangent)[:3])
        for axis in range(3):
            h = 1e-4 * np.eye(3)[axis]
            slope = depth_in_chain(BENT[:2], RADII[:2], place - h) - depth_in_chain(
                BENT[:2], RADII[:2], place + h
            )
            assert n[axis] == pytest.approx(slope / 2e-4, abs=2e-3)
        tangent -= (tangent @ n) * n
        tangent /= np.linalg.norm(tangent)
        curvature = g.surface_shape(*args, *place, *tangent)[3]
        ahead, behind = foot(place + 1e-3 * tangent), foot(place - 1e-3 * tangent)
        turn = [np.array(g.surface_shape(*args, *p, *tangent)[:3]) for p in (ahead, behind)]
        measured = (turn[0] - turn[1]) @ tangent / 2e-3
        seam = abs(g.surface_shape(*args, *ahead, *tangent)[3] - g.surface_shape(*args, *behind, *tangent)[3])
        assert curvature == pytest.approx(measured, abs=1e-3 + seam)


def mean_difference(a, b):
    return np.abs(a.image.astype(float) - b.image.astype(float)).mean()


def test_a_straight_chain_out_of_the_picture_is_a_tube():
    """One body told in two ways gives one picture: ends lie far outside of the slice."""
    ends = [[2, -40, 15], [2, 40, 15]]
    wall = {"wall_mm": 0.4, "wall_tissue": "plastic", "tissue": "water"}
    tube = scene(
        [{"name": "v", "shape": "tube", "from_mm": ends[0], "to_mm": ends[1], "radius_mm": 3, **wall}]
    )
    chain = scene([{"name": "v", "shape": "chain", "points_mm": ends, "radius_mm": 3, **wall}])
    a, b = renderer.render(tube), renderer.render(chain)

    assert (a.truth.there == b.truth.there).all()
    assert mean_difference(a, b) < 0.02  # grey levels: rounding may turn a pixel of fifty by one


def test_joints_of_a_straight_chain_do_not_show():
    """In the picture plane, in one piece or in five: between pieces there is no surface and no echo."""
    points = [[-9.0 + 3.6 * i, 0.0, 12.0 + 0.4 * i] for i in range(6)]
    body = {"name": "v", "shape": "chain", "radius_mm": 2, "tissue": "fat"}
    one = renderer.render(scene([body | {"points_mm": [points[0], points[-1]]}]))
    five = renderer.render(scene([body | {"points_mm": points}]))

    # Pixel centres that lie on the surface to the last digit may fall on either side
    assert np.count_nonzero(one.truth.there != five.truth.there) <= 2
    assert mean_difference(one, five) < 0.3


def test_wall_of_a_chain_is_its_thickness():
    """Along a ray across a straight piece: wall, lumen, wall, at the offsets that geometry gives."""
    phantom = painted([
        {"name": "v", "shape": "chain", "points_mm": [[-10, 0, 10], [10, 0, 10]], "radius_mm": 3, "wall_mm": 0.5,
         "wall_tissue": "vessel wall", "tissue": "blood"},
    ])  # fmt: skip
    found = changes(phantom, np.array([0.0, 0.0, 1.0]), np.array([0.0, 0.0, 1.0]))

    assert [name for _, name in found] == ["v.wall", "v", "v.wall", "background"]
    assert [t for t, _ in found] == pytest.approx([6, 6.5, 11.5, 12], abs=1e-5)
    along = changes(phantom, np.array([-20.0, 0.0, 10.0]), np.array([1.0, 0.0, 0.0]))
    assert [t for t, _ in along] == pytest.approx([7, 7.5, 32.5, 33], abs=1e-5)


# ---- needles -------------------------------------------------------------------------------------

NEEDLE = {"name": "n", "shape": "needle", "tip_mm": [4, 0, 18], "angle_deg": 30, "length_mm": 40, "diameter_mm": 2,
          "tissue": "steel"}  # fmt: skip


def test_a_hollow_needle_is_a_tube_of_steel_with_water():
    """Two descriptions of one body: the bore is 0.65 of the outer diameter (common practice, no source)."""
    away = 40 * np.array([-math.cos(math.radians(30)), 0, -math.sin(math.radians(30))])
    tube = {
        "name": "n", "shape": "tube", "from_mm": list(np.array([4, 0, 18]) + away), "to_mm": [4, 0, 18],
        "radius_mm": 1.0, "wall_mm": 0.35, "wall_tissue": "steel", "tissue": "water",
    }  # fmt: skip
    a, b = renderer.render(scene([NEEDLE | {"hollow": True}])), renderer.render(scene([tube]))

    assert np.count_nonzero(a.truth.there != b.truth.there) <= 2
    assert mean_difference(a, b) < 0.1


@pytest.mark.parametrize("bevel_deg", [30.0, 70.0])
@pytest.mark.parametrize("angle_deg", [-25.0, 35.0])
@pytest.mark.parametrize("hollow", [False, True])
def test_a_bevel_cuts_the_end_on_the_side_of_the_probe(bevel_deg, angle_deg, hollow):
    """A place belongs to the shaft within its radius and before the slanted plane; geometry in the picture plane.

    With s back along the shaft from the tip and u towards the probe, the plane is s = (u + R) tan(bevel), and its
    point lies at s = 0, u = -R.
    """
    row = NEEDLE | {"angle_deg": angle_deg, "bevel_deg": bevel_deg, "hollow": hollow}
    phantom = painted([row])
    angle, radius = math.radians(angle_deg), 1.0
    back = np.array([-math.cos(angle), 0, -math.sin(angle)])
    up = np.array([math.sin(angle), 0, -math.cos(angle)])
    rng = np.random.default_rng(4)
    inside = 0
    for s, u, y in rng.uniform([-1, -1.3, -1.3], [9, 1.3, 1.3], (800, 3)):
        place = np.array([4, 0, 18]) + s * back + u * up + np.array([0, y, 0])
        within = math.hypot(u, y) < radius and s > (u + radius) * math.tan(math.radians(bevel_deg))
        name = region_name(phantom, place)
        assert (name != "background") == within
        if hollow and within:
            assert name == ("n" if math.hypot(u, y) < 0.65 * radius else "n.wall")
        inside += within
    assert inside > 100


def test_rays_meet_the_cut_of_a_needle_square_on():
    """A ray along the shaft's axis from beyond the tip meets the plane where geometry says, and its normal is that of
    the plane."""
    phantom = painted([NEEDLE | {"bevel_deg": 60}])
    angle, bevel = math.radians(30), math.radians(60)
    back = np.array([-math.cos(angle), 0, -math.sin(angle)])
    up = np.array([math.sin(angle), 0, -math.cos(angle)])
    start = np.array([4, 0, 18]) - 5 * back
    (t, name), *_ = changes(phantom, start, back)

    assert name == "n"
    assert t == pytest.approx(
        5 + math.tan(bevel), abs=1e-5
    )  # the axis lies half a diameter (1 mm) from the far edge
    shape = g.surface_shape(
        phantom.kinds[-1], phantom.rows[-1], phantom.outline, 0, 0, *(start + t * back), 1, 0, 0
    )
    wanted = math.sin(bevel) * up - math.cos(bevel) * back
    assert np.array(shape[:3]) == pytest.approx(wanted, abs=1e-9)
    assert shape[3] == 0.0


def test_a_turned_bevel_turns_with_its_needle():
    """Turned by 180 degrees about the upright through the middle of its shaft, the cut still faces the probe."""
    plain, turned = (
        painted([NEEDLE | {"bevel_deg": 60}]),
        painted([NEEDLE | {"bevel_deg": 60, "rotate_deg": [0, 0, 180]}]),
    )
    back = np.array([-math.cos(math.radians(30)), 0, -math.sin(math.radians(30))])
    middle = np.array([4, 0, 18]) + 20 * back
    for place in np.random.default_rng(5).uniform([-2, -1.2, 12], [5, 1.2, 19], (400, 3)):
        mirrored = middle + (place - middle) * [-1, -1, 1]
        assert region_name(plain, place) == region_name(turned, mirrored)


# ---- grains --------------------------------------------------------------------------------------

SAND = {"name": "sand", "shape": "grains", "count": 120, "diameter_mm": 0.3, "tissue": "glass",
        "region": {"shape": "ellipsoid", "centre_mm": [1, 0, 15], "radii_mm": [7, 4, 5]}}  # fmt: skip
REGIONS = {
    "box": {"shape": "box", "centre_mm": [0, 1, 15], "size_mm": [8, 6, 4]},
    "ellipsoid": SAND["region"],
    "tube": {"shape": "tube", "from_mm": [-5, -3, 12], "to_mm": [5, 4, 18], "radius_mm": 2},
    "chain": {"shape": "chain", "points_mm": [[-6, 0, 12], [0, 2, 16], [6, 0, 14]], "radius_mm": [1.5, 2, 1]},
    "prism": {"shape": "prism", "outline_mm": [[-6, 10], [6, 12], [0, 20]], "y_mm": [-3, 5]},
}


def grain_centres(phantom):
    return phantom.rows[phantom.kinds == g.ELLIPSOID, 9:12]


@pytest.mark.parametrize("shape", REGIONS)
def test_grains_lie_in_their_region_and_do_not_touch(shape):
    """All of them, each centre in the region as a solid of that shape is, and no two nearer than a diameter."""
    phantom = painted([SAND | {"region": REGIONS[shape]}])
    body = painted([REGIONS[shape] | {"name": "body", "tissue": "fat"}])
    centres = grain_centres(phantom)
    apart = np.linalg.norm(centres[:, None] - centres[None], axis=2) + 9 * np.eye(len(centres))

    assert len(centres) == 120
    assert all(region_name(body, place) == "body" for place in centres)
    assert apart.min() >= 0.3
    assert {r.name for r in phantom.regions} == {"background", "sand", "coupling"}


def test_grains_fill_their_region_evenly():
    """In a box the mean place is the middle, within four deviations of a mean of 1500 even numbers (side / sqrt(12 n))."""
    size = np.array([16, 10, 12.0])
    region = {"shape": "box", "centre_mm": [0, 0, 15], "size_mm": list(size)}
    centres = grain_centres(painted([SAND | {"region": region, "count": 1500, "diameter_mm": 0.1}]))

    assert len(centres) == 1500
    assert (np.abs(centres.mean(0) - [0, 0, 15]) < 4 * size / np.sqrt(12 * 1500)).all()
    assert centres.std(0) == pytest.approx(size / np.sqrt(12), rel=0.06)  # four deviations of a spread


def test_grains_stay_where_they_are():
    """In another view the same places; with more grains the first stay; with another seed others."""
    made = scene([SAND])
    here = grain_centres(start_view(trace_job(made, 0.0))[0].painted)
    slid = grain_centres(start_view(trace_job(made.with_settings({"pose.slide_mm": 2.5}), 0.0))[0].painted)
    more = grain_centres(
        start_view(trace_job(made.with_settings({"solids.sand.count": 150}), 0.0))[0].painted
    )
    other = grain_centres(start_view(trace_job(made.with_settings({"seed.tissue": 9}), 0.0))[0].painted)

    assert slid + [2.5, 0, 0] == pytest.approx(here, abs=1e-9)
    assert more[:120] == pytest.approx(here, abs=1e-12)
    assert not np.allclose(other, here)


@pytest.mark.parametrize("diameter_mm", [0.2, 0.8])
def test_grains_look_like_beads_at_their_places(diameter_mm):
    """Two descriptions of one thing: points that are not traced, and spheres that are (1.5 wavelengths: 0.385 mm)."""
    grains = SAND | {"count": 30, "diameter_mm": diameter_mm}
    centres = grain_centres(painted([grains]))
    beads = [
        {
            "name": f"bead {i}",
            "shape": "bead",
            "at_mm": list(map(float, place)),
            "diameter_mm": diameter_mm,
            "tissue": "glass",
        }
        for i, place in enumerate(centres)
    ]
    a, b = renderer.render(scene([grains])), renderer.render(scene(beads))

    assert mean_difference(a, b) < 0.02
    # A place on a surface to the last digit may fall on either side; regions of beads are 1..30, that of grains 1
    beads_there = np.isin(b.truth.there, range(1, 31))
    assert np.count_nonzero((a.truth.there == 1) != beads_there) <= 2


# ---- label pictures ------------------------------------------------------------------------------


def write_labels(folder, labels):
    Image.fromarray(labels.astype(np.uint8)).save(folder / "labels.png")


def disc(n, radius, label=3):
    z, x = np.mgrid[:n, :n] - (n - 1) / 2
    return np.where(np.hypot(x, z) < radius, label, 0)


def picture_solid(pixel_mm, origin_mm, tissues, **more):
    return {"name": "m", "shape": "image", "file": "labels.png", "pixel_mm": pixel_mm, "origin_mm": origin_mm,
            "tissues": tissues, **more}  # fmt: skip


@pytest.mark.parametrize("pixel_mm", [0.1, 0.25])
def test_a_disc_of_labels_is_a_tube(tmp_path, pixel_mm):
    """One body told in two ways gives one picture: mean grey, and the border within half a pixel of the labels."""
    n = 2 * int(5 / pixel_mm) + 8
    write_labels(tmp_path, disc(n, 4.0 / pixel_mm))
    corner = -(n - 1) / 2 * pixel_mm
    labels = scene([picture_solid(pixel_mm, [corner, 15 + corner], {"3": "water"})], folder=tmp_path)
    tube = scene(
        [
            {
                "name": "m",
                "shape": "tube",
                "from_mm": [0, -50, 15],
                "to_mm": [0, 50, 15],
                "radius_mm": 4,
                "tissue": "water",
            }
        ]
    )
    a, b = renderer.render(labels), renderer.render(tube)

    phantom = start_view(trace_job(labels, 0.0))[0].painted
    for angle in np.linspace(0, 2 * math.pi, 60, endpoint=False):
        ray = np.array([math.sin(angle), 0.0, math.cos(angle)])
        ((t, _),) = changes(phantom, np.array([0, 0, 15.0]), ray, reach=8.0)
        assert t == pytest.approx(4.0, abs=0.5 * pixel_mm)
    assert a.image.mean() == pytest.approx(b.image.mean(), abs=0.2)
    edge = np.abs(np.hypot(a.x_mm[None], a.z_mm[:, None] - 15) - 4) < 0.5 * pixel_mm
    assert (a.truth.there == b.truth.there)[~edge].all()
    # Speckle is anchored in the world and the same in both; what differs is the border, and what it bends
    assert mean_difference(a, b) < 1.0


@pytest.mark.parametrize("radius_px", [5.0, 10.0, 20.0, 40.3, 100.0])
def test_smooth_borders_are_near_the_circle(radius_px):
    """The stairs are gone. Border: within half a pixel, the least that is asked, and in truth within 0.25. Normals:
    within 2 degrees, which moves a mirror image at 30 mm by its width at most; stairs have 45. Curvature: within 0.35
    of 1 / R (rms); it is told from three neighbours and noisy. The numbers are what a disc of each size gave, rounded up.
    """
    n = 2 * int(radius_px) + 10
    (outline,) = label_outlines(disc(n, radius_px).astype(np.uint8).tobytes(), n, (3,))
    rows = outline[~np.isnan(outline[:, 0])]
    place = rows[:, :2] - (n - 1) / 2
    radius = np.hypot(*place.T)
    turn = np.degrees(np.arccos(np.clip((rows[:, 2:4] * place).sum(1) / radius, -1, 1)))

    assert np.abs(radius - radius_px).max() < 0.25
    assert turn.max() < 2
    assert np.sqrt(np.mean((rows[:, 4] * radius_px - 1) ** 2)) < 0.35
    assert rows[:, 4].mean() * radius_px == pytest.approx(1, abs=0.06)


def test_no_border_leaves_its_pixels():
    """However a picture looks, each point stays within 0.6 of a pixel of the middle of the side that it came from."""
    rng = np.random.default_rng(6)
    for _ in range(20):
        labels = rng.integers(0, 4, (12, 12)) if rng.random() < 0.5 else disc(12, rng.uniform(1, 5))
        for points, closed, *_ in trace_arcs(labels):
            moved = np.hypot(*(smooth_arc(points, closed=closed) - points).T)
            assert moved.max() <= 0.6


def test_labels_fit_together_without_gaps(tmp_path):
    """Every place well inside of a pixel ringed by its own label has that label, and every place within the labels
    has one of them: neighbours share one border."""
    rng = np.random.default_rng(7)
    coarse = rng.integers(1, 5, (5, 6))
    labels = np.pad(np.kron(coarse, np.ones((7, 7), int)), 3)
    write_labels(tmp_path, labels)
    tissues = {"1": "fat", "2": "water", "3": "liver", "4": "muscle"}
    phantom = painted([picture_solid(0.5, [-12.0, 5.0], tissues)], folder=tmp_path)
    rows, columns = labels.shape
    wrong = 0
    for r, c in rng.uniform([3, 3], [rows - 4, columns - 4], (3000, 2)):
        i, j = round(r), round(c)
        around = labels[i - 1 : i + 2, j - 1 : j + 2]
        name = region_name(phantom, np.array([-12 + 0.5 * c, 0.0, 5 + 0.5 * r]))
        assert name in {"m.1", "m.2", "m.3", "m.4"} or (around == 0).any()
        if (around == labels[i, j]).all():
            wrong += name != f"m.{labels[i, j]}"
    assert wrong == 0


def test_holes_show_what_lies_beneath(tmp_path):
    """A ring of labels leaves its middle free, and the solid below it is seen there."""
    labels = disc(80, 35) - disc(80, 20)
    write_labels(tmp_path, labels)
    below = {
        "name": "below",
        "shape": "box",
        "centre_mm": [0, 0, 15],
        "size_mm": [20, 90, 20],
        "tissue": "liver",
    }
    phantom = painted([below, picture_solid(0.1, [-3.95, 11.05], {"3": "fat"})], folder=tmp_path)
    ray = np.array([1.0, 0.0, 0.0])
    found = changes(phantom, np.array([-12.0, 0.0, 15.0]), ray)

    assert [name for _, name in found] == ["below", "m.3", "below", "m.3", "below", "background"]
    assert [t for t, _ in found] == pytest.approx([2, 8.5, 10, 14, 15.5, 22], abs=0.05)


def test_truth_of_a_picture_can_be_a_phantom(tmp_path):
    """Labels read back from the truth of a frame give the same truth, but for pixels at a border."""
    solids = [
        {"name": "a", "shape": "ellipsoid", "centre_mm": [-3, 0, 14], "radii_mm": [4, 40, 5], "tissue": "fat"},
        {"name": "b", "shape": "box", "centre_mm": [3, 0, 16], "size_mm": [7, 80, 5], "rotate_deg": [0, 20, 0], "tissue": "liver"},
    ]  # fmt: skip
    frame = renderer.render(scene(solids, machine={"pixel_mm": 0.1}))
    there = np.where(frame.truth.there <= 2, frame.truth.there, 0)
    write_labels(tmp_path, there)
    again = picture_solid(0.1, [float(frame.x_mm[0]), float(frame.z_mm[0])], {"1": "fat", "2": "liver"})
    copy = renderer.render(scene([again], folder=tmp_path, machine={"pixel_mm": 0.1}))

    assert [r.name for r in copy.truth.legend.values()] == ["background", "m.1", "m.2", "coupling"]
    core = minimum_filter(there, 3) == maximum_filter(there, 3)
    assert (copy.truth.there == there)[core].all()
    assert np.mean(copy.truth.there != there) < 2e-3


def test_a_changed_label_picture_is_another_scene(tmp_path):
    """The digest takes in the pixels, and a setting may change the tissue of a label."""
    write_labels(tmp_path, disc(40, 15))
    made = scene([picture_solid(0.1, [0, 10], {"3": "fat"})], folder=tmp_path)
    softer = made.with_settings({"solids.m.tissues.3": "water"})
    write_labels(tmp_path, disc(40, 14))
    smaller = scene([picture_solid(0.1, [0, 10], {"3": "fat"})], folder=tmp_path)

    assert softer.phantom.solids[0].shape.tissues == ((3, "water"),)
    assert len({made.digest, softer.digest, smaller.digest}) == 3
