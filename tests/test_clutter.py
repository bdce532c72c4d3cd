"""The haze of multiple scattering: where it is, at what level, and that it belongs to the tissue."""

from __future__ import annotations

import numpy as np
import pytest

from tests import closed_forms as cf

CYST = {
    "name": "cyst",
    "shape": "ellipsoid",
    "centre_mm": [0, 0, 25],
    "radii_mm": [4, 20, 4],
    "tissue": "water",
}
STONE = {
    "name": "stone",
    "shape": "ellipsoid",
    "centre_mm": [0, 0, 15],
    "radii_mm": [1, 10, 1],
    "tissue": "stone",
}


def power(made, x_mm, z_mm, names):
    """Mean power of classes, after gain, in a window (x from, to; z from, to), dB."""
    view, level, depth, known = cf.lines_of(made)
    lines = (view.plan.face_mm > x_mm[0]) & (view.plan.face_mm < x_mm[1])
    samples = (depth > z_mm[0]) & (depth < z_mm[1])
    part = sum(10 ** (level[known.index(n)][np.ix_(lines, samples)] / 10) for n in names)
    return 10 * np.log10(part.mean())


@pytest.mark.parametrize("clutter_db", [-22, -30])
def test_level_in_tissue_is_the_set_one(clutter_db):
    """In even tissue the haze lies at the set level below the speckle: 1 dB.

    Each window of 20 x 12 mm has hundreds of cells (0.3 dB); the halo reaches past the tissue that is drawn at the sides.
    """
    made = cf.scene([], machine={"clutter_db": clutter_db})
    for z in ((12, 24), (26, 40)):
        haze = power(made, (-10, 10), z, ["clutter"])
        assert haze - power(made, (-10, 10), z, ["direct"]) == pytest.approx(clutter_db, abs=1.0)


def test_fluid_holds_a_haze():
    """A cyst of 8 mm: 20 to 30 dB below the tissue beside it (common practice, no source), and black without."""
    made = cf.scene([CYST])
    inside = power(made, (-2, 2), (23.5, 26.5), ["clutter", "direct", "side_lobe", "beam_width"])
    beside = power(made, (8, 14), (23.5, 26.5), ["direct"])
    without = cf.scene([CYST], physics={"clutter": False})

    assert -30 < inside - beside < -20
    assert power(without, (-2, 2), (23.5, 26.5), ["direct", "side_lobe", "beam_width"]) - beside < -40
    assert not cf.lines_of(without)[0].iq[cf.lines_of(without)[3].index("clutter")].any()


def test_a_narrow_shadow_keeps_a_haze():
    """Behind a stone of 2 mm the haze is within 2 dB of that beside it: it comes from there."""
    made = cf.scene([STONE])
    behind, beside = (power(made, x, (20, 26), ["clutter"]) for x in ((-0.5, 0.5), (6, 9)))
    assert behind - beside == pytest.approx(0, abs=2.0)


def test_haze_moves_with_the_tissue():
    """The probe slid by four lines: the haze slides along. 0.9: points are drawn by depth in both."""
    views = [cf.scene([], pose={"slide_mm": s}) for s in (0.0, 1.2)]
    iq = [v.iq[names.index("clutter")] for v, _, _, names in map(cf.lines_of, views)]
    a, b = iq[0][30:100, 200:600], iq[1][26:96, 200:600]
    likeness = np.abs((a * b.conj()).sum()) / np.sqrt((np.abs(a) ** 2).sum() * (np.abs(b) ** 2).sum())
    other = iq[1][30:100, 200:600]
    apart = np.abs((a * other.conj()).sum()) / np.sqrt((np.abs(a) ** 2).sum() * (np.abs(other) ** 2).sum())

    assert likeness > 0.9
    assert apart < 0.3


def test_no_haze_without_scatterers():
    still = {"still": {"like": "gelatine", "backscatter_db": "none"}}
    view, _, _, names = cf.lines_of(cf.scene([], tissues=still, background="still"))
    assert not view.iq[names.index("clutter")].any()
