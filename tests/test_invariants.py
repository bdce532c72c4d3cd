"""Energy, reciprocity and the choice of coordinates, on rays and on echo lines."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import renderer
from renderer.flow import trace_job
from renderer.tissue.outlines import MAX_HITS
from renderer.trace import branches as br
from renderer.trace import rays
from renderer.trace.echoes import start_view
from tests import closed_forms as cf
from tests.engine_beams import peaks, surface_lines

QUIET = {"deadline": None, "derandomize": True, "database": None}
IMPEDANCE = st.floats(0.0004, 50.0)
SPEED = st.floats(0.3, 6.5)


@settings(max_examples=300, **QUIET)
@given(IMPEDANCE, IMPEDANCE, SPEED, SPEED, st.floats(0.0, 1.0))
def test_a_surface_neither_makes_nor_loses_energy(z1, z2, c1, c2, cosine):
    """R^2 + (Z1 cos t / Z2 cos i) (1 + R)^2 = 1 of the oblique fluid formula (Kinsler, ch. 6, from memory).

    The tracer lets sqrt(1 - R^2) through, so that R^2 + T^2 = 1 by itself if |R| <= 1; that the flow of energy says
    the same is what is tested. Beyond the critical angle all is reflected. Rounding: 1e-9 of sums of order 1.
    """
    r, cos_t = rays.fluid_reflection(z1, z2, c1, c2, cosine)
    assert abs(r) <= 1.0 + 1e-12
    if cos_t < 0.0:
        assert r == 1.0
        assert cosine**2 <= 1.0 - (c1 / c2) ** 2 + 1e-9
    elif cosine > 1e-6:
        through = (1.0 + r) ** 2 * (z1 * cos_t) / (z2 * cosine)
        assert r * r + through == pytest.approx(1.0, abs=1e-9)


@st.composite
def layers(draw):
    """A phantom of tilted layers and a cylinder of random fluids."""
    tissues, solids = {}, []
    for i in range(draw(st.integers(1, 4))):
        tissues[f"t{i}"] = {
            "like": "gelatine", "speed_m_s": round(draw(st.floats(900, 4000)), 1),
            "density_kg_m3": round(draw(st.floats(300, 8000)), 1), "attenuation_db_cm_mhz": 0.3,
        }  # fmt: skip
        solids.append({"name": f"s{i}", "shape": "slab", "top_mm": 5.0 + 7 * i, "thickness_mm": round(draw(st.floats(0.5, 6)), 2),
                       "tilt_deg": round(draw(st.floats(-25, 25)), 1), "tissue": f"t{i}"})  # fmt: skip
    radius = round(draw(st.floats(2, 8)), 2)
    solids.append(
        {
            "name": "body",
            "shape": "tube",
            "from_mm": [1, -30, 20],
            "to_mm": [1, 30, 20],
            "radius_mm": radius,
            "tissue": "t0",
        }
    )
    return cf.scene(solids, tissues=tissues, machine={"depth_mm": 40, "lines": 8})


@settings(max_examples=40, **QUIET)
@given(layers(), st.floats(-0.5, 0.5))
def test_a_traced_path_keeps_its_energy_at_every_surface(made, lean):
    """At each surface of a traced ray: reflected^2 + transmitted^2 <= 1 of what arrived, and a path only loses.

    The transmitted amplitude is that of the next segment, the reflected one that of the branch that the tracer
    starts there. 1e-9: rounding.
    """
    phantom, _ = start_view(trace_job(made, 0.0))
    hits = np.empty(MAX_HITS)
    seg = np.zeros((rays.MAX_SEGMENTS, rays.N_COLUMNS))
    x, dx, dz = 2.0, math.sin(lean), math.cos(lean)
    region = rays.start_region(phantom.solids, x, 0.0, 0.0, dx, 0.0, dz)
    rays.start_segment(seg, x, 0.0, 0.0, dx, 0.0, dz, region, phantom.media)
    n = rays.trace_ray(seg, phantom.solids, phantom.media, 80.0, 1e-6, True, rays.PLAIN, hits)
    reflected, scratch = np.zeros(rays.N_COLUMNS), np.zeros((2, rays.N_COLUMNS))
    for k in range(n):
        arriving = seg[k, rays.AMPLITUDE] ** 2
        if seg[k, rays.LENGTH] > 1e8 or k + 1 >= rays.MAX_SEGMENTS:
            continue
        br.reflect_row(reflected, seg, k, scratch)
        through = seg[k + 1, rays.AMPLITUDE] ** 2 if k + 1 < n else 0.0
        assert reflected[rays.AMPLITUDE] ** 2 + through <= arriving * (1 + 1e-9)
        if k + 1 < n:
            assert reflected[rays.AMPLITUDE] ** 2 + through == pytest.approx(arriving, rel=1e-9)
            assert seg[k + 1, rays.LOSS] >= seg[k, rays.LOSS]
        assert np.hypot(reflected[rays.DX], reflected[rays.DZ]) == pytest.approx(1.0, abs=1e-6)


@settings(max_examples=40, **QUIET)
@given(layers(), st.floats(-0.4, 0.4))
def test_the_beam_round_a_ray_keeps_its_flow(made, lean):
    """The ray matrix of a path has the determinant c_start / c_here (times the flow through a tube: Siegman, Lasers).

    Reduced angles n theta make every matrix one of determinant 1; here angles are true ones. 1e-6: rounding over
    up to ten surfaces near grazing.
    """
    phantom, _ = start_view(trace_job(made, 0.0))
    hits = np.empty(MAX_HITS)
    seg = np.zeros((rays.MAX_SEGMENTS, rays.N_COLUMNS))
    dx, dz = math.sin(lean), math.cos(lean)
    region = rays.start_region(phantom.solids, -3.0, 0.0, 0.0, dx, 0.0, dz)
    rays.start_segment(seg, -3.0, 0.0, 0.0, dx, 0.0, dz, region, phantom.media)
    n = rays.trace_ray(seg, phantom.solids, phantom.media, 80.0, 1e-6, True, rays.PLAIN, hits)
    for k in range(n):
        want = seg[k, rays.SPEED] / seg[0, rays.SPEED]
        for a in (rays.A, rays.AY):
            m = seg[k, a : a + 4] if a == rays.A else seg[k, [rays.AY, rays.BY, rays.CY, rays.DYY]]
            assert m[0] * m[3] - m[1] * m[2] == pytest.approx(want, rel=1e-6)


@pytest.mark.parametrize("tissue", ["acrylic", "steel", "air"])
def test_secondary_echoes_have_less_energy_than_what_made_them(tissue):
    """All reverberation, mirror images and multipath of a plate together have less energy than its own echo.

    The face sends 1/16 of the energy back (-12 dB). Without loss and with one aperture at all depths the sum of
    all orders is at most R^2 F^2 / (1 - R^2 F^2) = 1/15 of the direct echo's. That holds where the plate lies at
    both foci: every later order lies off them.
    """
    clear = {"clear": {"like": "gelatine", "attenuation_db_cm_mhz": 0.0}}
    plate = {"name": "plate", "shape": "slab", "top_mm": 10, "bottomless": True, "tissue": tissue}
    probe = {**cf.PROBE, "channels": 12, "lens_focus_mm": 10}
    machine = {"depth_mm": 45, "focus_mm": [10], "lines": 48, "transmit_f_number": 1, "receive_f_number": 0.5}
    made = cf.scene([plate], tissues=clear, background="clear", probe=probe, machine=machine)
    view, _, _, names = cf.lines_of(made)
    power = dict(zip(names, (np.abs(view.iq) ** 2).sum((1, 2)), strict=True))
    secondary = sum(power[n] for n in ("reverberation", "mirror", "multipath"))
    assert 0.0 < secondary < power["direct"] / 15


@pytest.mark.parametrize("steer_deg", [0, 15])
def test_transmit_and_receive_may_change_places(steer_deg):
    """A wire's echo is the same if transmitter and receiver swap aperture and focus (reciprocity).

    With no apodisation, the receiver focused where it listens: a wire at the transmit focus swaps F-numbers. 3 % of the
    peak: the receive aperture is laid for a zone of depths (here 5 % too wide), the transmit one for its focus.
    """
    still = {"still": {"like": "gelatine", "backscatter_db": "none"}}
    z = 25.0
    lean = math.tan(math.radians(steer_deg))
    wire = {
        "name": "wire",
        "shape": "wire",
        "from_mm": [z * lean, -40, z],
        "to_mm": [z * lean, 40, z],
        "diameter_mm": 0.1,
        "tissue": "steel",
    }
    face = np.linspace(-0.6, 0.6, 13)
    profiles = []
    for sent, heard in ((4.0, 2.5), (2.5, 4.0)):
        machine = {"focus_mm": [z / math.cos(math.radians(steer_deg))], "transmit_f_number": sent, "receive_f_number": heard,
                   "apodisation": "none", "steer_deg": steer_deg, "depth_mm": 35}  # fmt: skip
        made = cf.scene([wire], tissues=still, background="still", machine=machine)
        iq, depth = surface_lines(made, face)
        profiles.append(peaks(iq, depth, np.hypot(z * lean - face, z)))
    np.testing.assert_allclose(profiles[0], profiles[1], atol=0.03 * profiles[0].max())


POSES = [
    {"rock_deg": 14.0},
    {"slide_mm": 3.3},
    {"turn_deg": 25.0},
    {"fan_deg": 9.0},
    {"rock_deg": -8.0, "slide_mm": 2.0},
]


@pytest.mark.parametrize("pose", POSES, ids=lambda p: "-".join(p))
def test_turning_probe_and_phantom_together_changes_nothing(pose):
    """A body and a wire turned with the probe give the same echoes: in the probe's frame nothing has moved.

    Surfaces only: scatterers stay in the world, and the speckle is another. Sound leaves the probe into the same
    tissue (coupling and background are one). The body is given by its axes in the world, rounded to 1e-9 mm.
    """
    from renderer.probe.plan import world_from_probe
    from renderer.probe.transducer import Pose

    turned = Pose(
        pose.get("slide_mm", 0.0),
        0.0,
        *(math.radians(pose.get(k, 0.0)) for k in ("rock_deg", "fan_deg", "turn_deg")),
    )
    rotation, shift = world_from_probe(turned)
    still = {
        "still": {"like": "gelatine", "backscatter_db": "none"},
        "body": {"like": "gelatine", "speed_m_s": 1580, "backscatter_db": "none"},
    }
    lines = []
    for matrix, move in ((np.eye(3), np.zeros(3)), (rotation, shift)):

        def at(*p, matrix=matrix, move=move):
            return [round(float(v), 9) for v in matrix @ np.array(p) + move]

        solids = [
            {"name": "body", "shape": "tube", "from_mm": at(2, -40, 18), "to_mm": at(2, 40, 18), "radius_mm": 4, "tissue": "body"},
            {"name": "wire", "shape": "wire", "from_mm": at(1, -20, 32), "to_mm": at(1, 20, 32), "diameter_mm": 0.1, "tissue": "steel"},
        ]  # fmt: skip
        where = {} if move is not shift else pose
        made = cf.scene(
            solids, tissues=still, background="still", machine={"depth_mm": 40, "lines": 32}, pose=where
        )
        lines.append(cf.lines_of(made)[0].iq.sum(0))
    difference = (np.abs(lines[0] - lines[1]) ** 2).sum() / (np.abs(lines[0]) ** 2).sum()

    assert (np.abs(lines[0]) ** 2).sum() > 0
    # float32 of a sum of many samples. Under a fan the surface of the phantom is no longer the same for all rows of
    # elements, and three rays across the picture plane stand for each beamlet in place of one: 1 % of amplitude
    assert 10 * math.log10(difference + 1e-30) < (-40 if "fan_deg" in pose else -60)


@pytest.mark.parametrize("s_mm", [0.6, 2.0, 8.0, 24.0, 25.0, 60.0])
def test_elevation_field_is_the_sum_over_the_slit(s_mm):
    """Closed Fresnel integrals against a plain sum of 20,000 places: a thousandth of the largest."""
    from renderer.trace.elevation import slit_field

    y, wave = np.linspace(0, 5, 21), 1.54 / 7.5
    q = (np.arange(20_000) + 0.5) / 20_000 * 5.0 - 2.5
    phase = 0.5 * q**2 * (1 / s_mm - 1 / 25.0) - np.outer(y, q) / s_mm
    want = np.exp(-2j * np.pi / wave * phase).mean(1) * 5.0 / np.sqrt(wave * s_mm)
    got = slit_field(s_mm, y, 7.5, 1.54, 5.0, 25.0)

    assert np.abs(got - want).max() < 1e-3 * np.abs(want).max()


def test_a_leaning_body_of_air_in_the_face_adds_no_sound():
    """A wedge of air that cuts the face, steered lines: nothing above a perfect mirror (energy never grows)."""
    box = {"name": "box", "shape": "box", "tissue": "air", "centre_mm": [0, 0, 4], "size_mm": [0.5, 6.24, 16.46],
           "rotate_deg": [0, -13.38, -8.57]}  # fmt: skip
    slab = {"name": "slab", "shape": "slab", "tissue": "air", "top_mm": 16.33, "thickness_mm": 8.34}
    probe = {**cf.PROBE, "elements": 64, "frequency_mhz": 6, "lens_focus_mm": 22}
    machine = {"depth_mm": 38, "focus_mm": [10, 28], "lines": 24, "steer_deg": 12}
    frame = renderer.render(cf.scene([box, slab], probe=probe, machine=machine))

    assert np.abs(frame.lines).max() < 10 ** (28 / 20)
