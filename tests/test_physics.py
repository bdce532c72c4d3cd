"""What the renderer shows against closed forms, unfoldings and statistics of speckle."""

from __future__ import annotations

import math

import numpy as np
import pytest

import renderer
from tests import closed_forms as cf

# A quarter of a wavelength at 7.5 MHz in the reference tissue: no reader of a picture can tell less.
QUARTER_WAVE_MM = 0.25 * 1.54 / 7.5


def check(rows: list[cf.Row], *, mm: float, db: float) -> None:
    """Every row within its tolerance; all that are not are named."""
    wrong = [f"{r.case}: {r.measured:.3f} against {r.expected:.3f}" for r in rows
             if not abs(r.error) < (mm if r.unit == "mm" else db)]  # fmt: skip
    assert not wrong


def test_reverberation_of_a_plate():
    """Order k is the direct echo of the same plate at (k + 1) d, times R^k F^k (unfolding; exact)."""
    check(cf.reverberation(), mm=QUARTER_WAVE_MM, db=1.0)


@pytest.mark.parametrize("tilt_deg", [0.0, 10.0, 20.0])
def test_mirror_image_in_a_plane(tilt_deg):
    """Behind an air mirror lies the picture of the mirrored phantom (unfolding; exact)."""
    check(cf.plane_mirror(tilt_deg), mm=QUARTER_WAVE_MM, db=1.0)


@pytest.mark.parametrize(("radius_mm", "line_mm"), [(60.0, 0.15), (30.0, 0.15), (30.0, 4.05), (-60.0, 0.15)])
def test_mirror_image_in_a_cylinder(radius_mm, line_mm):
    """In a curved mirror: straight on at the length of the path, and fainter as the ray matrix says.

    Places: a quarter wave. Level 1 dB: 0.3 dB for small angles at F/2, the rest for the mirror's bend of the single beamlets.
    """
    check(cf.curved_mirror(radius_mm, line_mm), mm=QUARTER_WAVE_MM, db=1.0)


def test_mirror_image_of_a_wire_near_the_face():
    """A mirror image is the direct echo of the mirrored phantom, elevation beam and all (unfolding; exact)."""
    check(cf.near_wire_in_a_mirror(), mm=QUARTER_WAVE_MM, db=1.0)


def test_speed_error_shifts_what_lies_deeper():
    """Shown = sum of thickness times assumed by true speed (range equation, any textbook)."""
    check(cf.speed_step(), mm=QUARTER_WAVE_MM, db=1.0)


def test_two_prisms_double_a_wire():
    """Copies at the deviation of a prism by Snell's law.

    Half a beam width (6 MHz, F/5: 0.9 lambda F / 2 = 0.55 mm) is allowed: the halves overlap, and the
    thickness crossed inside the prism is left out of the closed form (0.1 mm).
    """
    check(cf.doubling(), mm=0.55, db=1.0)


def test_range_ambiguity_folds_the_depth():
    """Shown at d mod c / (2 PRF) (range equation, any textbook)."""
    check(cf.range_ambiguity(), mm=QUARTER_WAVE_MM, db=1.0)


def test_range_ambiguity_is_shown_on_the_next_line():
    """A wire below the picture shows between the line that sent the pulse and the next, which listens.

    Echo size is T of one line times R of the next, one pitch (0.3 mm) to its right: the wire at 0.15 mm shows
    at 0.15 mm if the receiver alone decides and at 0.45 mm if the transmitter does.
    """
    wire = {"name": "wire", "shape": "wire", "from_mm": [0.15, -20, 92], "to_mm": [0.15, 20, 92], "diameter_mm": 0.3,
            "tissue": "steel"}  # fmt: skip
    clear = {"clear": {"like": "gelatine", "attenuation_db_cm_mhz": 0.02}}
    made = cf.scene([wire], tissues=clear, background="clear",
                    machine={"depth_mm": 50, "prf_hz": 12000, "focus_mm": [45]})  # fmt: skip
    view, level, depth, names = cf.lines_of(made)
    near = abs(depth - (92 - 1540e3 / 24e3)) < 1.5
    power = (10 ** (level[names.index("range_ambiguity")][:, near] / 10)).max(1)
    place = (power * view.plan.face_mm).sum() / power.sum()

    assert 0.15 < place < 0.45


def test_enhancement_and_absorber():
    """Two-way loss of a Gaussian band: -x f0 + x^2 s^2 / 2 nepers (closed integral).

    0.35 dB: three standard errors of the mean intensity over some 1500 independent cells in each window.
    """
    check(cf.enhancement(), mm=QUARTER_WAVE_MM, db=0.35)


def test_level_against_depth():
    """The same integral along the depth. 1 dB: the beam's own gain follows the centre frequency (see the table)."""
    check(cf.level_with_depth(), mm=QUARTER_WAVE_MM, db=1.0)


def test_pebble_shadow_follows_the_aperture():
    """A shadow is full right behind the body and fades with depth, as waves past the body do.

    Within 1.5 dB: the beamlets do not bend round the body. The cone of the aperture is no exact reference: the
    Fresnel zone of the way (2.4 mm) is wider than the pebble (1.5 mm), and the waves are up to 3 dB off it. It is
    held to 4 dB.
    """
    rows = cf.pebble_shadow()
    waves, cone = rows[:4], rows[4:]
    check(waves, mm=QUARTER_WAVE_MM, db=1.5)
    check(cone, mm=QUARTER_WAVE_MM, db=4.0)
    assert rows[0].measured <= rows[1].measured < rows[2].measured - 10.0 < rows[3].measured - 13.0


def test_oblique_wire_looks_bent():
    """tan b' = tan b c_assumed / c (geometry). A twentieth of a millimetre over 16 mm is a quarter wave."""
    check(cf.needle_bend(), mm=2 * QUARTER_WAVE_MM, db=1.0)


@pytest.fixture(scope="module")
def plain():
    """Even gelatine."""
    return cf.scene([])


@pytest.mark.parametrize("depth_mm", [8, 20, 32, 45])
def test_reference_tissue_lies_at_minus_38_db(plain, depth_mm):
    """The level chain's own definition, at every depth. 0.5 dB: four standard errors of the window's mean."""
    level = cf.mean_level(plain, (-15, 15), (depth_mm - 2, depth_mm + 2))

    assert level == pytest.approx(-38.0, abs=0.5)


@pytest.mark.parametrize("depth_mm", [2.5, 4, 5.5])
def test_reference_tissue_near_the_face(plain, depth_mm):
    """The same close to the face: 2.5 dB, as the beam turns faster between two nodes than its mean tells."""
    level = cf.mean_level(plain, (-15, 15), (depth_mm - 1, depth_mm + 1))

    assert level == pytest.approx(-38.0, abs=2.5)


def test_speckle_is_fully_developed(plain):
    """Intensity moment 2 + 1/Ne and log SD 5.57 dB (Goodman 2007; Wagner 1983; from memory).

    Some 3000 independent cells: the relative SD of the log SD is 1.04 / sqrt(n) = 2 %, four of them 8 %.
    The moment's allowance adds the 7 scatterers of a cell: 2 + 1/7 at most.
    """
    view, level, depth, _ = cf.lines_of(plain)
    part = level[0][20:108][:, (depth > 12) & (depth < 45)]
    part = part - 10 * np.log10((10 ** (part / 10)).mean(0, keepdims=True))
    power = 10 ** (part / 10)

    assert part.std() == pytest.approx(5.57, rel=0.08)
    assert 1.85 < (power**2).mean() / power.mean() ** 2 < 2.3


@pytest.mark.parametrize("slide_mm", [0.1, 0.073])
def test_speckle_slides_with_the_tissue(plain, slide_mm):
    """A line slid by a fraction of the pitch sees the speckle that lies there, whatever the lattice.

    Against lines between which the tissue is at rest: the correlation of the complex lines at a slide must
    lie between that of no slide and that of a whole line pitch (0.3 mm), as the beam's autocorrelation does.
    """
    slid = plain.with_settings({"pose.slide_mm": slide_mm})
    a, b = (cf.lines_of(made)[0].iq[0][30:98, 100:700] for made in (plain, slid))

    def correlation(p, q):
        return abs((p * q.conj()).sum()) / math.sqrt((abs(p) ** 2).sum() * (abs(q) ** 2).sum())

    pitch = correlation(a[1:], a[:-1])
    # A Gaussian autocorrelation of the beam: rho(d) = rho(pitch)^((d / pitch)^2)
    expected = pitch ** ((slide_mm / 0.3) ** 2)
    assert correlation(a, b) == pytest.approx(expected, abs=0.03)


def test_classes_sum_to_the_whole():
    """Leaving classes out is exact on the lines, and the shares add up to 1."""
    made = renderer.read_scene("plate").with_settings({"machine.lines": 48})
    whole = renderer.render(made)
    names = [n for n in whole.truth.share if n != "noise"]
    parts = sum(renderer.render(made, without=[m for m in names if m != n]).lines for n in names)

    # complex64 sums in another order: a few units in the last place of the strongest echo
    np.testing.assert_allclose(parts, whole.lines, atol=1e-5 * abs(whole.lines).max())
    total = sum(whole.truth.share.values())
    np.testing.assert_allclose(total[whole.in_view], 1.0, atol=1e-5)


def test_one_body_described_in_two_ways():
    """A cylinder as tube and as rounded outline: same picture but for the outline's sag (0.4 mm steps: 5 um)."""
    a = np.linspace(0, 2 * np.pi, 49)[:-1]
    tube = {
        "name": "body",
        "shape": "tube",
        "from_mm": [0, -40, 24],
        "to_mm": [0, 40, 24],
        "radius_mm": 5,
        "tissue": "cyst fluid",
    }
    ring = {"name": "body", "shape": "prism", "outline_mm": [[round(float(5 * np.cos(t)), 4), round(float(24 + 5 * np.sin(t)), 4)] for t in a],
            "y_mm": [-40, 40], "rounded": True, "tissue": "cyst fluid"}  # fmt: skip
    one, two = (cf.lines_of(cf.scene([s]))[0].iq.sum(0) for s in (tube, ring))
    difference = (abs(one - two) ** 2).sum() / (abs(one) ** 2).sum()

    # 5 um is a twentieth of a radian at 7.5 MHz there and back; points within it of the wall change sides
    assert 10 * math.log10(difference) < -20


def test_no_seam_between_equal_materials():
    """A body of the background's own tissue is not there."""
    box = {"name": "body", "shape": "box", "centre_mm": [0, 0, 22], "size_mm": [12, 80, 10], "tissue": "gelatine",
           "rotate_deg": [0, 17, 0]}  # fmt: skip
    one, two = (cf.lines_of(cf.scene(s))[0].iq.sum(0) for s in ([box], []))
    difference = (abs(one - two) ** 2).sum() / (abs(two) ** 2).sum()

    # nodes are laid where the ray crosses the body, so tables are interpolated at other places (1 % in amplitude)
    assert 10 * math.log10(difference) < -35


def test_threads_change_nothing(monkeypatch):
    """Two threads and one give the same bits."""
    import renderer.jit
    from renderer.flow import echoes_of, picture_map, points_of

    made = renderer.read_scene("plate").with_settings({"machine.lines": 32})
    pictures = []
    for n in (1, 2):
        for kept in (echoes_of, points_of, picture_map):
            kept.cache_clear()
        monkeypatch.setattr(renderer.jit, "THREADS", n)
        pictures.append(renderer.render(made))

    assert (pictures[0].lines == pictures[1].lines).all()
    assert (pictures[0].image == pictures[1].image).all()
