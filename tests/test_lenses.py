"""Beams behind lenses and cylinders against one-way waves in a map of speeds."""

from __future__ import annotations

import numpy as np
import pytest

from renderer.trace import tables as tb
from tests import closed_forms as cf
from tests.engine_beams import beam_tables
from tests.twins_waves import aperture_field, propagate

X = (np.arange(2048) - 1023.5) * 0.05
STEP_MM = 0.1
HALF_MM = 7.2
F_MHZ = 5.0
ROOT3 = np.sqrt(3.0)
BAND = 0.15  # so narrow that the weight of a frequency within it does not count, so wide that nulls fill a little
# Small elements and one aperture at all depths: what is compared is refraction, not the rest of the machine.
PROBE = {
    "kind": "linear", "elements": 256, "pitch_mm": 0.15, "frequency_mhz": F_MHZ, "bandwidth_percent": 100 * BAND, "height_mm": 8,
    "lens_focus_mm": 60, "channels": 96,
}  # fmt: skip
LENS = [[-22, 18], [-20, 11], [-12, 9.5], [0, 18]]


def fluids(outside, inside):
    """Two tissues of one impedance: the waves of the map know no reflection."""
    plain = {"like": "gelatine", "attenuation_db_cm_mhz": 0.02, "backscatter_db": "none"}
    return {
        "out": {**plain, "speed_m_s": outside, "density_kg_m3": 1000},
        "in": {**plain, "speed_m_s": inside, "density_kg_m3": round(1000 * outside / inside, 1)},
    }


def pair_of_lenses():
    """The two jelly lenses of the shipped scene, and their map of speeds."""
    mirrored = [[-x, z] for x, z in LENS][::-1]
    solids = [{"name": name, "shape": "prism", "outline_mm": outline, "y_mm": [-40, 40], "tissue": "in"}
              for name, outline in (("left", LENS), ("right", mirrored))]  # fmt: skip

    def inside(x, z):
        top = np.interp(np.abs(x), [0, 12, 20, 22], [18, 9.5, 11, 18])
        return (z > top) & (z < 18) & (np.abs(x) < 22)

    return solids, inside


def cylinder():
    """A cylinder of 6 mm radius at 20 mm."""
    solids = [
        {
            "name": "body",
            "shape": "tube",
            "from_mm": [0, -40, 20],
            "to_mm": [0, 40, 20],
            "radius_mm": 6,
            "tissue": "in",
        }
    ]
    return solids, lambda x, z: np.hypot(x, z - 20) < 6


def by_waves(speeds, line_mm, focus_mm, depth_mm, listen_mm, speed, f_mhz):
    """Transmit times receive on a plane, (X,) complex: even aperture sent, Hamming focused on ``listen_mm`` heard."""
    kind = {"half_mm": HALF_MM, "centre_mm": line_mm}
    rows = speeds[: round(depth_mm / STEP_MM)]
    field = 1.0
    for focus, shape in ((focus_mm, None), (listen_mm, lambda u: 0.54 + 0.46 * np.cos(np.pi * u))):
        start = aperture_field(X, f_mhz, speed, focus_mm=focus, shape=shape, **kind)
        field = field * propagate(start, 0.05, STEP_MM, rows, f_mhz, edge_mm=8.0)[-1]
    return field


def profiles(body, outside, inside, focus_mm, line_mm, depths_mm):
    """Profiles of transmit times receive at each depth: places (U,), mm from the line, renderer and waves (U,)."""
    solids, within = body
    made = cf.scene(
        solids, tissues=fluids(outside, inside), background="out", probe=PROBE,
        machine={"assumed_speed_m_s": outside, "focus_mm": [focus_mm], "depth_mm": max(*depths_mm, focus_mm) + 10,
                 "transmit_f_number": 1, "receive_f_number": 0.5},
    )  # fmt: skip
    _, traced = beam_tables(made, np.array([line_mm]))
    nodes = traced.nodes[0, : traced.n_nodes[0]]
    z = (np.arange(int(max(depths_mm) / STEP_MM) + 40) + 0.5) * STEP_MM
    speeds = np.where(within(*np.meshgrid(X, z)), inside / 1000, outside / 1000)
    place = np.linspace(-1, 1, traced.tables.shape[2])
    free = np.abs(place) < 0.76  # the rim of a table is faded out
    rows = []
    for depth in depths_mm:
        i = int(np.abs(nodes[:, tb.N_S] - depth).argmin())
        node, u = nodes[i], (nodes[i, tb.N_U] + place * nodes[i, tb.N_HALF])[free]
        listen = 0.5 * outside / 1000 * node[tb.N_CTIME]
        # At the times at which a table is read: those of a point on the circle about the line's origin
        t = node[tb.N_TIME] + node[tb.N_SLOPE] * (X - line_mm - node[tb.N_U])
        t += 2000 / outside * (np.hypot(node[tb.N_S], X - line_mm - node[tb.N_U]) - node[tb.N_S])
        sd = BAND * F_MHZ / np.sqrt(8 * np.log(2))
        waves = sum(
            w
            * by_waves(speeds, line_mm, focus_mm, node[tb.N_S], listen, outside / 1000, f)
            * np.exp(2j * np.pi * f * t)
            for f, w in ((F_MHZ, 2 / 3), (F_MHZ - ROOT3 * sd, 1 / 6), (F_MHZ + ROOT3 * sd, 1 / 6))
        )
        got, want = np.abs(traced.tables[0, i])[free], np.interp(line_mm + u, X, np.abs(waves))
        rows.append((u, got, want))
    return rows


def hold(rows, rms_db, shift_mm):
    """Rms difference above -20 dB (level aside) and shift of the centre of power, at every depth."""
    for u, got, want in rows:
        a, b = 20 * np.log10(got), 20 * np.log10(want)
        centres = [(p**2) @ u / (p**2).sum() for p in (got, want)]
        assert (a - b)[b > b.max() - 20].std() < rms_db
        assert abs(centres[0] - centres[1]) < shift_mm


# Goal: 1.5 dB and 0.3 mm, a tenth of the grey scale and half a beam width.


@pytest.mark.parametrize("line_mm", [4.0, 6.0, 9.0])
def test_beam_behind_a_lens(line_mm):
    """Most of the aperture looks through one of two lenses; the rest through the other (at 4 mm)."""
    hold(profiles(pair_of_lenses(), 1450, 1610, 80, line_mm, (34, 60, 79)), 1.5, 0.3)


def test_beam_is_split_by_two_lenses():
    """Between two lenses the beam falls apart into two, each where the waves have it: 0.3 mm."""
    for u, got, want in profiles(pair_of_lenses(), 1450, 1610, 80, 0.0, (60, 79)):
        for side in (u < 0, u > 0):
            assert u[side][got[side].argmax()] == pytest.approx(u[side][want[side].argmax()], abs=0.3)


@pytest.mark.xfail(
    strict=True,
    raises=AssertionError,
    reason="the edge between the lenses is less than a beamlet: whole to one side",
)
@pytest.mark.parametrize("line_mm", [0.0, 1.0])
def test_beam_between_two_lenses(line_mm):
    """The goal where the beam meets the edge between two lenses.

    Missed: 1.4 to 4.5 dB and, on the line at 1 mm, 0.6 mm. What the edge itself sends straight on is missing, and a
    beamlet (1.1 mm) that straddles it goes whole to one side.
    """
    hold(profiles(pair_of_lenses(), 1450, 1610, 80, line_mm, (34, 60, 79)), 1.5, 0.3)


@pytest.mark.parametrize("inside", [1600, 1480])
@pytest.mark.parametrize("line_mm", [0.0, 1.0])
def test_beam_through_a_cylinder(inside, line_mm):
    """Through the middle of a faster and of a slower cylinder: a lens that spreads, a lens that gathers."""
    hold(profiles(cylinder(), 1540, inside, 50, line_mm, (30, 45, 60)), 1.5, 0.3)


@pytest.mark.xfail(
    strict=True, raises=AssertionError, reason="beamlets are wider than the flank of a cylinder"
)
@pytest.mark.parametrize("inside", [1600, 1480])
def test_beam_at_the_flank_of_a_cylinder(inside):
    """The goal where part of the beam grazes the flank: missed by 1.5 to 4.5 dB, and 0.2 mm.

    What passes close to the rim is bent by up to 20 degrees within less than a beamlet; a beamlet is turned as its mean
    over that (see ``blunt_normal``), and not drawn out.
    """
    hold(profiles(cylinder(), 1540, inside, 50, 4.0, (30, 45, 60)), 1.5, 0.3)


def test_a_lens_of_the_backgrounds_speed_is_not_there():
    """A solid of other name, same speed and impedance: the tables are those of even tissue, within 0.3 dB.

    Nodes are laid where rays cross the body, so that tables are read at slightly other depths.
    """
    for line in (0.0, 6.0):
        with_lens = profiles(pair_of_lenses(), 1450, 1450, 80, line, (34, 79))
        without = profiles(([], pair_of_lenses()[1]), 1450, 1450, 80, line, (34, 79))
        for (_, got, want), (_, plain, _) in zip(with_lens, without, strict=True):
            on = want > 0.1 * want.max()
            level = 20 * np.log10(got / plain)[on]
            assert np.abs(level).max() < 0.3
