"""Causes: the drawn path leads to where the table of echoes says that the echo is shown."""

from __future__ import annotations

import math

import numpy as np
import pytest

from renderer.teach.causes import explain_finding, specular_echoes, tidy
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
    # The table lists the mean of all pixels of the image, and its mean source: mirrored, that is the same place
    row = next(e for e in rows_of(frame, "mirror") if e.solid == "grape")
    listed = np.array(row.true_mm) - 2 * np.dot(np.array(row.true_mm) - through, normal) * normal
    assert (
        math.dist(listed, row.displayed_mm) < 0.5
    )  # a beam is 0.5 mm wide, a cell is not exactly centred on a pixel
    assert math.dist(true, row.true_mm) < 0.6


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
    # Beside the lard it is shown where it is, and there the table has its brightest echo
    assert cause.shown_mm[1][1] == pytest.approx(33.0, abs=AGREES_MM)
    assert min(abs(e.displayed_mm[1] - 33.0) for e in rows) < AGREES_MM


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
    row = next(e for e in frame.echoes if e.solid == "straw" and e.origin_class == "direct")
    follower = case.follower

    assert left[0] == pytest.approx(-right[0], abs=AGREES_MM)
    assert left[0] < -1.0
    # Along its line the table's echo is where that line's own path to the straw says
    path = follower.to_solid(follower.line_at(row.displayed_mm), [], case.regions("straw"))
    assert path is not None
    assert path.shown_depth_mm(case.assumed) == pytest.approx(
        depth_on_line(follower, row.displayed_mm), abs=AGREES_MM
    )


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
