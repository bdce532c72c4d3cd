"""A mirror shows the picture of the mirrored phantom: its speckle as well as its wires."""

from __future__ import annotations

import numpy as np
import pytest

from renderer.measure.speckle import correlation_width, speckle_statistics
from tests import closed_forms as cf

SEEDS = (5, 6)


def speckle_of(made, class_name, depths_mm):
    """Envelope (L, T) of a class in the middle of the picture between two depths, after gain."""
    _, level, depth, names = cf.lines_of(made)
    rows = level[names.index(class_name)][20:108]
    return 10 ** (rows[:, (depth > depths_mm[0]) & (depth < depths_mm[1])] / 20)


def speckle(solids, class_name, seed, depths_mm):
    """The same of solids in gelatine."""
    made = cf.scene(solids, machine={"focus_mm": [30], "depth_mm": 50}, seed=seed)
    return speckle_of(made, class_name, depths_mm)


@pytest.fixture(scope="module")
def pairs():
    """Envelopes behind an air mirror at 24 mm, and at the same depths without it, for each seed."""
    mirror = [{"name": "mirror", "shape": "slab", "top_mm": 24, "bottomless": True, "tissue": "air"}]
    return [
        (speckle(mirror, "mirror", seed, (30, 46)), speckle([], "direct", seed, (30, 46))) for seed in SEEDS
    ]


def test_mirrored_speckle_has_the_statistics_of_direct_speckle(pairs):
    """Envelope SNR, log SD and cells of speckle behind a plane mirror (unfolding).

    Some 3500 independent cells in each: the SD of a difference of SNR is 1.34 sqrt(2 / n) = 0.03, of log SD
    1.04 sqrt(2 / n) = 2.5 %; four of them. The mirrored points are thinned to every third, with which the
    moment is 2 + 1/Ne still; 0.05 of SNR for that (Ne of 10 against 30: 1.86 and 1.89, Poisson points).
    The lateral cell 10 %: 4 % of sampling error, 6 % for small angles (no directivity of elements in mirrors).
    """
    for mirrored, direct in pairs:
        a, b = speckle_statistics(mirrored), speckle_statistics(direct)
        assert a.snr.value == pytest.approx(
            b.snr.value, abs=0.05 + 4 * np.hypot(a.snr.uncertainty, b.snr.uncertainty)
        )
        assert a.log_sd_db.value == pytest.approx(b.log_sd_db.value, rel=0.10)
        assert a.log_sd_db.value == pytest.approx(5.57, rel=0.08)
        for axis in (0, 1):
            assert correlation_width(mirrored, axis) == pytest.approx(
                correlation_width(direct, axis), rel=0.10
            )


def test_mirrored_speckle_has_the_level_of_direct_speckle(pairs):
    """Level behind a perfect mirror: that of the same depth without it, 0.5 dB.

    Mean intensity of n cells has an SD of 4.34 / sqrt(n) dB: 0.05 for all seeds together. The rest allows for
    what a weak beam edge may differ by.
    """
    levels = [10 * np.log10(np.mean([(pair[k] ** 2).mean() for pair in pairs])) for k in (0, 1)]
    assert levels[0] == pytest.approx(levels[1], abs=0.5)


@pytest.mark.parametrize("density_kg_m3", [5000, 1450])
def test_a_weaker_mirror_is_fainter_by_its_reflection_twice(density_kg_m3):
    """Mirrored speckle of reflection R re a perfect mirror: 20 log10 R^2 (there and back); 0.1 dB.

    The same scatterers along the same ways: only the numbers of the surface differ (and air is not quite perfect).
    """
    heavy = {"heavy": {"like": "gelatine", "density_kg_m3": density_kg_m3}}
    means = []
    for tissue in ("air", "heavy"):
        slab = {"name": "mirror", "shape": "slab", "top_mm": 24, "bottomless": True, "tissue": tissue}
        made = cf.scene([slab], tissues=heavy, machine={"focus_mm": [30], "depth_mm": 36})
        means.append(10 * np.log10((speckle_of(made, "mirror", (28, 34)) ** 2).mean()))
    r = (density_kg_m3 - 1040) / (density_kg_m3 + 1040)
    assert means[1] - means[0] == pytest.approx(40 * np.log10(r), abs=0.1)
