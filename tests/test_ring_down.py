"""Gas that rings: the column's decay, its level, and its band."""

from __future__ import annotations

import numpy as np
import pytest

import renderer
from tests import closed_forms as cf


def bubbles(frequency_mhz=7.5, decay_us=4.0):
    """One bubble by the middle line at 12 mm that rings."""
    gas = {"name": "gas", "shape": "grains", "count": 1, "diameter_mm": 0.2, "tissue": "air",
           "region": {"shape": "box", "centre_mm": [0, 0, 12], "size_mm": [0.3, 0.3, 0.3]},
           "ring_down": {"frequency_mhz": frequency_mhz, "decay_us": decay_us}}  # fmt: skip
    still = {"still": {"like": "gelatine", "backscatter_db": "none"}}
    return cf.scene([gas], tissues=still, background="still", physics={"secondary": False})


def column(made):
    """Level of the ring on the middle line before gain, dB (T,), and depth."""
    view, _, depth, names = cf.lines_of(made)
    return 20 * np.log10(np.abs(view.iq[names.index("ring_down"), 64]) + 1e-30), depth


@pytest.mark.parametrize("decay_us", [2.0, 4.0, 9.0])
def test_decay_of_the_column(decay_us):
    """8.686 dB for each decay time, two ways: 8.686 * 2 / (c decay) dB a mm; 1 % of float32 sums."""
    level, depth = column(bubbles(decay_us=decay_us))
    below = (depth > 14) & (depth < 22)
    slope = np.polyfit(depth[below], level[below], 1)[0]
    assert slope == pytest.approx(-8.686 * 2 / (cf.C * decay_us), rel=0.01)


def test_column_begins_at_the_level_of_the_echo():
    """Within 2 dB of the bubble's own echo, and nothing above it.

    2 dB: the tone builds up while the pulse passes, and meanwhile it already decays.
    """
    made = bubbles(decay_us=20.0)
    level, depth = column(made)
    view, _, _, names = cf.lines_of(made)
    own = 20 * np.log10(np.abs(view.iq[names.index("direct"), 64]).max())
    assert level.max() == pytest.approx(own, abs=2.0)
    assert level[depth < 11].max() < own - 60


def test_a_tone_beside_the_band_is_fainter():
    """By exp(-(f - f0)^2 / 2 s^2) of the receiver's Gaussian band: 0.2 dB."""
    (at, depth), (off, _) = column(bubbles()), column(bubbles(7.5 - cf.SIGMA))
    below = (depth > 15) & (depth < 20)
    assert (off - at)[below].mean() == pytest.approx(-4.343, abs=0.2)


def test_truth_names_the_gas():
    frame = renderer.render(bubbles(decay_us=9.0))
    mask = frame.truth.mask("ring_down")
    line = int(np.argmin(np.abs(frame.x_mm)))
    below = (frame.z_mm > 14) & (frame.z_mm < 18)

    assert mask[below, line].all()
    assert {frame.truth.legend[int(r)].name for r in np.unique(frame.truth.source[below, line])} == {"gas"}
    rows = frame.explain(0, 16)
    assert rows[0]["class"] == "ring_down"
    assert "gas, which rings" in rows[0]["path"]
