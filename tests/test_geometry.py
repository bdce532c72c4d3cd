"""Short cuts of the geometry against the plain way without them: blocks of an outline, boxes round primitives."""

from __future__ import annotations

import math

import numpy as np
import pytest

import renderer
from renderer.flow import trace_job
from renderer.tissue import geometry as geo
from renderer.tissue import outlines
from renderer.tissue.scatterers import column_candidates, topmost
from renderer.trace import rays
from renderer.trace.echoes import start_view

KINDS = {
    "slab": {"shape": "slab", "top_mm": 12, "thickness_mm": 5, "tilt_deg": 8},
    "box": {"shape": "box", "centre_mm": [3, 1, 20], "size_mm": [9, 7, 5], "rotate_deg": [12, 25, 40]},
    "ball": {"shape": "ellipsoid", "centre_mm": [-6, 0, 24], "radii_mm": [6, 4, 3], "rotate_deg": [0, 30, 10]},
    "straw": {"shape": "tube", "from_mm": [-9, -6, 30], "to_mm": [6, 9, 26], "radius_mm": 2, "wall_mm": 0.4, "wall_tissue": "plastic"},
    "bent": {"shape": "chain", "points_mm": [[0, -3, 34], [6, 0, 30], [12, 3, 36]], "radius_mm": [1.0, 2.5, 0.8]},
    "wedge": {"shape": "prism", "outline_mm": [[-15, 8], [-2, 9], [4, 15], [-11, 14]], "y_mm": [-6, 9]},
    "cap": {"shape": "sheet", "cap": {"centre_mm": [0, 0, 60], "radius_mm": 20, "half_angle_deg": 35}, "thickness_mm": 1, "behind": "water"},
    "pin": {"shape": "needle", "tip_mm": [2, 0, 18], "angle_deg": 25, "length_mm": 30, "diameter_mm": 1.2, "bevel_deg": 20, "hollow": True},
}  # fmt: skip


def star(n, wobble, key):
    """A closed outline of ``n`` points round the origin, of uneven radius, (n, 5) with normals left out."""
    random = np.random.default_rng(key)
    angle = np.sort(random.uniform(0, 2 * np.pi, n))
    radius = 5 * (1 + wobble * random.uniform(-1, 1, n))
    outline = np.zeros((n, 5))
    outline[:, 0], outline[:, 1] = radius * np.cos(angle), radius * np.sin(angle)
    return outline


OUTLINES = [(1000, 0.002), (3, 0.1), (8, 0.3), (9, 0.5), (41, 0.6), (200, 0.7)]


@pytest.mark.parametrize(("n", "wobble"), OUTLINES)
def test_inside_of_an_outline_is_that_of_a_general_library(n, wobble):
    """Even-odd rule over all edges, as in matplotlib's Path (an independent general library)."""
    path = pytest.importorskip("matplotlib.path").Path
    outline = star(n, wobble, n)
    points = np.random.default_rng(1).uniform(-9, 9, (4000, 2))
    full = outlines.with_bounds(outline)
    ours = np.array([outlines.inside_outline(full, 0, n, x, z) for x, z in points])

    theirs = path(np.vstack([outline[:, :2], outline[:1, :2]]), closed=True).contains_points(points)
    assert np.array_equal(ours, theirs)
    assert 0.05 < ours.mean() < 0.5


@pytest.mark.parametrize(("n", "wobble"), OUTLINES)
def test_a_ray_meets_every_edge_of_a_prism(n, wobble):
    """All crossings of rays with the edges, found one edge after the other."""
    outline = star(n, wobble, n)
    full = outlines.with_bounds(outline)
    row = np.zeros(geo.N_PARAMETERS)
    row[12:16] = -50, 50, 9, 9
    random = np.random.default_rng(2)
    a, b = np.roll(outline[:, :2], 1, axis=0), outline[:, :2]
    for _ in range(300):
        x, z = random.uniform(-9, 9, 2)
        angle = random.uniform(0, 2 * math.pi)
        dx, dz = math.cos(angle), math.sin(angle)
        hits = np.zeros(outlines.MAX_HITS)
        found = geo._raw_hits(geo.PRISM, row, full, 0, n, x, 0.0, z, dx, 0.0, dz, hits)

        e = b - a
        det = dx * e[:, 1] - dz * e[:, 0]
        along = ((a[:, 0] - x) * dz - (a[:, 1] - z) * dx) / det
        ahead = ((a[:, 0] - x) * e[:, 1] - (a[:, 1] - z) * e[:, 0]) / det
        wanted = np.sort(ahead[(along >= 0) & (along < 1) & (ahead > 0)])
        assert np.sort(hits[:found]) == pytest.approx(wanted, abs=1e-9)


@pytest.mark.parametrize(("n", "wobble"), OUTLINES)
def test_the_normal_is_that_of_the_nearest_edge(n, wobble):
    """The edge nearest to a point, among all edges."""
    outline = star(n, wobble, n)
    full = outlines.with_bounds(outline)
    a, b = np.roll(outline[:, :2], 1, axis=0), outline[:, :2]
    e = b - a
    for point in np.random.default_rng(3).uniform(-8, 8, (300, 2)):
        w = np.clip(((point - a) * e).sum(1) / (e * e).sum(1), 0, 1)
        off = np.hypot(*(a + w[:, None] * e - point).T)
        nearest = np.flatnonzero(off < off.min() + 1e-9)  # two at a corner
        nx, nz, _ = outlines.outline_normal(full, 0, n, False, *point)

        assert math.hypot(nx, nz) == pytest.approx(1)
        assert min(abs(nx * e[i, 0] + nz * e[i, 1]) / np.hypot(*e[i]) for i in nearest) < 1e-9


@pytest.fixture(scope="module")
def primitives():
    """The primitives of a phantom with every kind of body, in a turned probe's frame."""
    solids = [{"name": name, "tissue": "liver", **keys} for name, keys in KINDS.items()]
    made = renderer.parse_scene({
        "title": "All kinds", "phantom": {"background": "gelatine", "solids": solids},
        "pose": {"turn_deg": 20, "fan_deg": 7, "rock_deg": -9, "slide_mm": 1},
        "probe": {"kind": "linear", "elements": 64, "pitch_mm": 0.3, "frequency_mhz": 5, "height_mm": 5, "lens_focus_mm": 25},
        "machine": {"depth_mm": 45, "focus_mm": [25], "lines": 8},
    })  # fmt: skip
    return start_view(trace_job(made, 0.0))[0].solids


def test_every_kind_of_primitive_is_there(primitives):
    """The next test covers what it should."""
    assert set(primitives[0].tolist()) == {
        geo.SLAB, geo.BOX, geo.ELLIPSOID, geo.CYLINDER, geo.PRISM, geo.CAP, geo.ROUND, geo.BELOW_CAP,
    }  # fmt: skip


def test_a_column_names_every_primitive_that_it_touches(primitives):
    """Against all primitives, asked one after the other, at points throughout columns of all sizes."""
    kinds, rows, outline, spans, _, traced = primitives
    random = np.random.default_rng(4)
    found = np.zeros(len(kinds), np.int64)
    touched, named = 0, 0
    for _ in range(1500):
        x, z = random.uniform(-20, 20), random.uniform(-1, 50)
        slack, half_y = 10 ** random.uniform(-2, 0.3), 10 ** random.uniform(-1, 1)
        n = column_candidates(kinds, rows, traced, x, z, slack, half_y, found)
        points = np.array([x, 0, z]) + random.uniform(-1, 1, (30, 3)) * [slack, half_y, slack]
        for point in points:
            inside = [
                i
                for i in range(len(kinds))
                if traced[i] and geo.contains(kinds, rows, outline, spans, i, *point)
            ]
            assert set(inside) <= set(found[:n].tolist())
            assert topmost(primitives, found, n, *point) == (inside[-1] if inside else -1)
            touched += len(inside) > 0
        named += n
    assert touched > 3000
    assert named < 0.6 * 1500 * len(kinds)  # and does not name them all


def test_the_next_crossing_is_where_the_region_changes(primitives):
    """Against the region at every hundredth of a millimetre along random rays, from one crossing to the next.

    Changes that lie closer together than two steps are not told apart by the steps, and left out.
    """
    kinds, rows, outline, spans, region, traced = primitives
    random = np.random.default_rng(6)
    hits = np.zeros(outlines.MAX_HITS)
    step, crossed = 0.01, 0
    for _ in range(120):
        start = np.array([random.uniform(-20, 20), random.uniform(-4, 4), random.uniform(0.5, 40)])
        way = random.normal(size=3) * [1, 0.3, 1]
        way /= np.linalg.norm(way)
        at = np.arange(0.0, 25.0, step)
        seen = np.array(
            [geo.region_at(kinds, rows, outline, spans, region, traced, True, *(start + t * way)) for t in at]
        )
        top = geo.top_at(kinds, rows, outline, spans, traced, len(kinds), *start)
        gone, found = 0.0, []
        while True:
            place = start + gone * way
            t, after, surface, top = geo.next_crossing(
                kinds, rows, outline, spans, region, traced, *place, *way, 25.0 - step - gone, top, hits
            )
            if t < 0:
                break
            gone += t
            found.append((gone, after))
            assert surface >= 0
            gone += geo.START_GAP_MM
        changes = np.flatnonzero(np.diff(seen))
        places = np.array([p for p, _ in found])
        lone = [i for i, p in enumerate(places) if (np.abs(places - p) < 2.5 * step).sum() == 1]
        for i in lone:
            assert np.abs(at[changes] + 0.5 * step - places[i]).min() <= step
            assert seen[min(np.searchsorted(at, places[i] + 1e-6), len(seen) - 1)] == found[i][1]
        for change in changes:
            assert np.abs(places - at[change] - 0.5 * step).min() <= step
        crossed += len(lone)
    assert crossed > 150


def test_a_wide_beam_meets_a_rounded_surface_less_aslant():
    """cos^2 + e over 1 + e, e = width / radius; the normal stays a unit vector in the plane of incidence, a plane as it is."""
    for cosine in (0.05, 0.4, 0.9):
        for bend in (0.0, 0.25):
            seg = np.zeros((2, rays.N_COLUMNS))
            seg[1, rays.DZ] = 1.0
            seg[1, rays.NX], seg[1, rays.NZ] = math.sqrt(1 - cosine**2), cosine
            seg[1, rays.BEND] = bend
            rays.blunt_normal(seg, 1, 2.0)
            e = 2.0 * bend
            assert seg[1, rays.NZ] == pytest.approx(math.sqrt((cosine**2 + e) / (1 + e)))
            assert math.hypot(seg[1, rays.NX], seg[1, rays.NZ]) == pytest.approx(1.0)
            assert seg[1, rays.NX] > 0.0
            assert seg[1, rays.NY] == 0.0


@pytest.mark.parametrize("lean", [0.0, 1e-16, -1e-16, 3e-13])
def test_a_ray_that_touches_a_corner_goes_on(lean):
    """Down between two wedges that meet in a point below it, and on through that point: no region on the way."""
    wedges = [
        {"name": name, "shape": "prism", "outline_mm": outline, "y_mm": [-40, 40], "tissue": "liver"}
        for name, outline in (
            ("left", [[-20, 10], [0, 18], [-20, 18.5]]), ("right", [[20, 10], [20, 18.5], [0, 18]]),
        )
    ]  # fmt: skip
    made = renderer.parse_scene({
        "title": "Corner", "phantom": {"background": "gelatine", "solids": wedges},
        "probe": {"kind": "linear", "elements": 64, "pitch_mm": 0.3, "frequency_mhz": 5},
        "machine": {"depth_mm": 40, "focus_mm": [25]},
    })  # fmt: skip
    kinds, rows, outline, spans, region, traced = start_view(trace_job(made, 0.0))[0].solids
    hits = np.zeros(outlines.MAX_HITS)
    top = geo.top_at(kinds, rows, outline, spans, traced, len(kinds), 0.0, 0.0, 1.0)
    t, *_ = geo.next_crossing(
        kinds, rows, outline, spans, region, traced, 0.0, 0.0, 1.0, lean, 0.0, 1.0, 30.0, top, hits
    )
    assert t < 0.0
