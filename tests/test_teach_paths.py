"""Causes: the drawn path leads to where the table of echoes says that the echo is shown."""

from __future__ import annotations

import math

import numpy as np
import pytest

import renderer
from renderer.frame.truth import times
from renderer.teach.case import Case, follower_of, tidy, traced_view
from renderer.teach.causes import explain_finding
from renderer.teach.drawing import named_here
from renderer.teach.figures import main_findings
from renderer.teach.findings import find_all
from renderer.teach.turned import specular_echoes
from renderer.teach.words import Words
from renderer.trace.echoes import SECONDARY_CLASSES
from tests import teach_scenes as ts

# The figure's own promise; half a pixel of the pictures used is 0.04 mm
AGREES_MM = 0.1


def rows_of(frame, name):
    """Echoes of a class that are above black, from the table of the frame."""
    return [e for e in frame.echoes if e.origin_class == name and e.level_db > frame.truth.floor_db]


def depth_on_line(follower, place):
    """Distance of a place from the origin of its line."""
    x, z, _, _ = follower.start(follower.line_at(place))
    return math.dist((x, z), place)


@pytest.mark.parametrize(
    ("maker", "name", "fewest"),
    [
        (ts.plate_scene, "reverberation", 4),
        (ts.wedge_scene, "reverberation", 2),
        (ts.multipath_scene, "multipath", 1),
    ],
)
def test_specular_paths_end_where_the_table_says(maker, name, fewest):
    """Each echo of the table is followed again by its turns; where its legs put it is where it is listed.

    The path is found from the recorded turns alone; time and place come from its own legs.
    """
    ready, frame, cases = ts.made(maker)
    follower, assumed = cases[0].follower, ready.scan.assumed_speed_mm_per_us
    rows = rows_of(frame, name)
    records = specular_echoes(follower, name)
    checked = 0
    for row in rows:
        line = round(follower.line_at(row.displayed_mm))
        for record in records:
            if record.line == line and abs(record.time_us - row.delay_us) < 1e-6:
                path = follower.to_face(record.line, record.turns, record.time_us)
                assert path is not None
                assert math.dist(path.shown_mm(assumed), row.displayed_mm) < AGREES_MM
                checked += 1
                break

    assert checked >= fewest


def test_reverberation_cause_is_a_multiple():
    """The drawn cause of order 1 is shown at twice the depth of the plate (unfolding; exact), as the table has it."""
    ready, frame, cases = ts.made(ts.plate_scene)
    case = next(c for c in cases if c.finding.name == "reverberation" and c.finding.order == 1)
    cause = explain_finding(case)
    (shown,) = cause.shown_mm
    row = min(rows_of(frame, "reverberation"), key=lambda e: abs(e.displayed_mm[1] - 20.0))

    assert shown[1] == pytest.approx(20.0, abs=AGREES_MM)
    assert shown[1] == pytest.approx(row.displayed_mm[1], abs=AGREES_MM)
    assert [leg.event for leg in tidy(cause.main.legs, case.tissue)] == [
        "turned",
        "face",
        "turned",
        "arrives",
    ]


def test_multipath_cause_agrees_with_the_table():
    """Down to the third surface, up to the first, down to the second and home: shown at 26 - 8 + 14 mm (geometry)."""
    ready, frame, cases = ts.made(ts.multipath_scene)
    causes = [explain_finding(c) for c in cases if c.finding.name == "multipath"]
    cause = min((c for c in causes if c), key=lambda c: abs(c.shown_mm[0][1] - 32.0))
    row = min(rows_of(frame, "multipath"), key=lambda e: abs(e.displayed_mm[1] - 32.0))

    assert cause.shown_mm[0][1] == pytest.approx(32.0, abs=AGREES_MM)
    assert row.displayed_mm[1] == pytest.approx(32.0, abs=AGREES_MM)


def test_mirror_cause_agrees_with_the_plane():
    """The path by way of a plane mirror is as long as the straight one to the mirrored place (unfolding; exact)."""
    ready, frame, cases = ts.made(ts.mirror_scene)
    case = next(c for c in cases if c.finding.name == "mirror" and c.finding.solid == "grape")
    cause = explain_finding(case)
    t = math.radians(8)
    normal, through = np.array([-math.sin(t), math.cos(t)]), np.array([0.0, 22.0])
    true = np.array(cause.true_mm[0])
    image = true - 2 * np.dot(true - through, normal) * normal

    assert math.dist(cause.shown_mm[0], image) < AGREES_MM
    # What the table lists is that place and its mirror image as well, from recorded scatterers alone
    row = next(e for e in rows_of(frame, "mirror") if e.solid == "grape")
    listed = np.array(row.true_mm) - 2 * np.dot(np.array(row.true_mm) - through, normal) * normal
    assert math.dist(listed, row.displayed_mm) < AGREES_MM


def test_speed_cause_agrees_with_the_table():
    """Shown depth: sum of thickness times assumed over true speed (range equation); the table lists the same."""
    ready, frame, cases = ts.made(ts.wedge_scene)
    case = next(c for c in cases if c.finding.name == "speed")
    cause = explain_finding(case)
    lard = dict(ready.phantom.materials)["lard"].speed_mm_per_us
    want = 33.0 + 20.0 * (1.54 / lard - 1.0)
    rows = [e for e in rows_of(frame, "direct") if e.solid == "deep line"]

    assert cause.shown_mm[0][1] == pytest.approx(want, abs=AGREES_MM)
    assert cause.true_mm[0][1] == pytest.approx(33.0, abs=AGREES_MM)
    # Beside the lard it is shown where it is
    assert cause.shown_mm[1][1] == pytest.approx(33.0, abs=AGREES_MM)
    # The table has both
    for depth in (want, 33.0):
        assert min(abs(e.displayed_mm[1] - depth) for e in rows) < AGREES_MM


def test_late_cause_agrees_with_the_table():
    """Shown at d less c / (2 PRF) (range equation); the table lists the same."""
    ready, frame, cases = ts.made(ts.late_scene)
    case = next(c for c in cases if c.finding.name == "range_ambiguity")
    cause = explain_finding(case)
    row = next(e for e in rows_of(frame, "range_ambiguity") if e.order == 0 and e.solid == "deep plate")
    want = 82.0 - 1540e3 / (2 * 12000)

    assert cause.shown_mm[0][1] == pytest.approx(want, abs=AGREES_MM)
    assert row.displayed_mm[1] == pytest.approx(want, abs=AGREES_MM)


def test_doubling_cause_agrees_with_the_table():
    """Two bent ways to one straw, mirror images of each other; the table's echo lies on one of them."""
    ready, frame, cases = ts.made(ts.lens_scene)
    case = next(c for c in cases if c.finding.name == "refraction")
    cause = explain_finding(case)
    left, right = sorted(cause.shown_mm)
    rows = [e for e in frame.echoes if e.solid == "straw" and e.origin_class == "direct"]

    assert left[0] == pytest.approx(-right[0], abs=AGREES_MM)
    assert left[0] < -1.0
    # The table has both copies, and they come from the top of one straw (radius 1, axis at 0, 50)
    for shown in (left, right):
        row = min(rows, key=lambda e: math.dist(e.displayed_mm, shown))
        assert math.dist(row.displayed_mm, shown) < AGREES_MM
        assert math.dist(row.true_mm, (0.0, 50.0)) == pytest.approx(1.0, abs=AGREES_MM)


def test_named_solid_is_the_one_passed():
    """The way that is told goes through the solid that the page's title names."""
    _, _, cases = ts.made(ts.lens_scene)
    told = [c for c in cases if c.finding.name == "refraction"]
    assert {c.finding.solid for c in told} == {"left", "right"}
    for case in told:
        passed = {case.frame.truth.legend[leg.region].name for leg in explain_finding(case).main.legs}
        assert case.finding.solid in passed


@pytest.mark.parametrize(
    ("maker", "name", "solid", "pairs"),
    [
        (ts.plate_scene, "reverberation", "plate", 1),
        (ts.mirror_scene, "mirror", "grape", 1),
        (ts.multipath_scene, "multipath", "lower", 1),
        (ts.wedge_scene, "speed", "lard", 2),
        (ts.wedge_scene, "reverberation", "lard", 1),
        (ts.late_scene, "range_ambiguity", "deep plate", 1),
        (ts.lens_scene, "refraction", "left", 2),
        (ts.lens_scene, "refraction", "right", 2),
    ],
)
def test_drawn_causes_agree_with_the_table(maker, name, solid, pairs):
    """Both places of each pair that is drawn are those of a row of the table.

    The table has them from what was recorded while the picture was made (peaks of the envelope, times of paths,
    scatterers), the drawing from rays that are followed anew.
    """
    _, frame, cases = ts.made(maker)
    case = next(c for c in cases if c.finding.name == name and c.finding.solid == solid)
    cause = explain_finding(case)

    assert len(cause.echoes) == len(cause.shown_mm) == len(cause.true_mm) == pairs
    for row, true, shown in zip(cause.echoes, cause.true_mm, cause.shown_mm, strict=True):
        assert row in frame.echoes
        assert math.dist(shown, row.displayed_mm) < AGREES_MM
        assert math.dist(true, case.true_place(row)) < AGREES_MM


@pytest.mark.parametrize("name", ["plate", "mirror", "wedge", "lenses", "deep"])
def test_figures_of_shipped_scenes_agree_with_the_table(name):
    """The same for the cause that a shipped scene's figure draws; none of these is without a row."""
    scene = renderer.read_scene(name)
    frame, words = renderer.render(scene), Words()
    follower = follower_of(scene, traced_view(scene))
    (finding,) = main_findings(scene, frame, find_all(frame, scene.shows, words))
    case = Case(scene, frame, follower, finding, words)
    cause = explain_finding(case)

    assert len(cause.echoes) == len(cause.shown_mm)
    for row, true, shown in zip(cause.echoes, cause.true_mm, cause.shown_mm, strict=True):
        assert math.dist(shown, row.displayed_mm) < AGREES_MM
        assert math.dist(true, case.true_place(row)) < AGREES_MM


def test_true_places_of_surfaces_lie_on_them():
    """A flat surface: its echoes, also those after turns at it, come from its plane on the line that they are shown on."""
    _, frame, _ = ts.made(ts.plate_scene)
    rows = [e for e in frame.echoes if e.solid == "plate"]

    assert len(rows) > 4
    for row in rows:
        assert row.true_mm[1] == pytest.approx(10.0, abs=0.02)  # samples stand 0.02 mm apart or so
        assert row.true_mm[0] == pytest.approx(row.displayed_mm[0], abs=0.05)


def test_smooth_late_surface_is_the_source():
    """Where the echo of the pulse before is a plate's, the truth names the plate, and not speckle about it."""
    _, frame, _ = ts.made(ts.late_scene)
    row = next(e for e in frame.echoes if e.origin_class == "range_ambiguity")
    rows = np.abs(frame.z_mm - row.displayed_mm[1]) < 0.08  # half of the pulse's length at -6 dB
    owned = frame.truth.mask("range_ambiguity")[rows]
    plate = next(n for n, r in frame.truth.legend.items() if r.name == "deep plate")

    assert owned.sum() > 100
    # One line goes down past the first one that hears it: its left edge is still speckle
    assert (frame.truth.source[rows][owned] == plate).mean() > 0.95


def test_nothing_is_displaced_where_the_ray_has_ended():
    """Behind a foil with air behind, no displacement is told; before it there is one everywhere."""
    _, frame, _ = ts.made(ts.mirror_scene)
    ended = frame.truth.seen == 65535
    for values in frame.truth.displacement_mm.values():
        known = np.isfinite(values).reshape(*ended.shape, -1).all(axis=-1)
        assert not known[ended & frame.in_view].any()
        assert known[~ended & frame.in_view].all()


def test_explained_contributions_can_be_seen():
    """What is told of at a point is no farther than 20 dB below black, or the only one."""
    ready, frame, _ = ts.made(ts.mirror_scene)
    floor = -ready.receive.dynamic_range_db
    points = [(x, z) for x in (-6.0, 0.0, 4.0) for z in (5.0, 13.0, 30.0)]
    told = [frame.explain(x, z) for x, z in points]

    assert all(told)
    for rows in told:
        assert all(row["level_db"] >= floor - 20.0 for row in rows[1:])


@pytest.mark.parametrize(("count", "said"), [(1, "once"), (2, "twice"), (3, "3 times")])
def test_how_often_is_said_in_english(count, said):
    """One time is once."""
    assert times(count) == said


def test_of_many_solids_those_that_the_path_meets_are_named():
    """All of a few solids are named; of many the plate that turns the sound, and none that it passes by."""
    _, _, cases = ts.made(ts.plate_scene)
    case = next(c for c in cases if c.finding.name == "reverberation")
    few = [("plate", (0.0, 10.0)), ("pea", (5.0, 5.0))]
    many = [*few, *((f"pea {k}", (5.0, 5.0 + k)) for k in range(8))]
    cause = explain_finding(case)

    assert named_here(case, cause, few) == few
    assert named_here(case, cause, many) == few[:1]


def test_legs_add_up():
    """Times and lengths of told legs are those of the path; every leg begins where the last one ended."""
    for maker in (ts.plate_scene, ts.mirror_scene, ts.wedge_scene, ts.late_scene, ts.lens_scene):
        _, _, cases = ts.made(maker)
        for case in cases:
            cause = explain_finding(case)
            if cause is None:
                continue
            legs = cause.main.legs
            told = tidy(legs, case.tissue)
            assert sum(leg.time_us for leg in told) == pytest.approx(sum(leg.time_us for leg in legs))
            assert sum(leg.length_mm for leg in told) == pytest.approx(sum(leg.length_mm for leg in legs))
            for a, b in zip(legs, legs[1:], strict=False):
                # The tracer steps a micrometre past each surface
                assert math.dist(a.end_mm, b.start_mm) < 2e-3


def test_every_recorded_path_is_found_again():
    """All recorded specular paths of a scene can be followed from their turns."""
    _, _, cases = ts.made(ts.plate_scene)
    follower = cases[0].follower
    for name in SECONDARY_CLASSES:
        for record in specular_echoes(follower, name)[::5]:
            assert follower.to_face(record.line, record.turns, record.time_us) is not None
