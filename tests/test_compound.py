"""Compounding: the mean of the views, and what that does to speckle."""

from __future__ import annotations

import numpy as np
import pytest

import renderer
from renderer.measure.speckle import speckle_statistics
from tests import closed_forms as cf

ANGLES = [-10, 0, 10]


def amplitude(**machine):
    """Amplitude (H, W) of a region of the picture that all views see."""
    settings = {"depth_mm": 28, "focus_mm": [18], "pixel_mm": 0.1, **machine}
    frame = renderer.render(
        cf.scene([], probe={**cf.PROBE, "elements": 64}, machine=settings, physics={"secondary": False})
    )
    rows = (frame.z_mm > 10) & (frame.z_mm < 26)
    columns = np.abs(frame.x_mm) < 5
    return 10 ** (frame.level_db[np.ix_(rows, columns)] / 20)


@pytest.fixture(scope="module")
def views():
    """Each view alone, and all compounded."""
    return np.array([amplitude(steer_deg=a) for a in ANGLES]), amplitude(compound_deg=ANGLES)


def test_a_compound_picture_is_the_mean_of_its_views(views):
    """Mean of the amplitudes, pixel by pixel: 1e-3 of the mean (float32, and noise 120 dB down)."""
    alone, together = views
    np.testing.assert_allclose(together, alone.mean(0), atol=1e-3 * together.mean())


def test_compounding_lowers_speckle_by_the_root_of_independent_views(views):
    """SNR grows by root N of independent views: N^2 over the sum of their correlations (Burckhardt 1978, from memory).

    Views 10 degrees apart at F/2 and F/3 share part of their apertures: N is 2 to 3 of three. Correlations and SNR
    are of the same pixels (whose own SNR is above 1.91, as they are interpolated between lines), so that only the
    difference of the views' own SNRs is left: 5 %.
    """
    alone, together = views
    flat = alone.reshape(len(ANGLES), -1)
    independent = len(ANGLES) ** 2 / np.corrcoef(flat).sum()
    single = np.mean([speckle_statistics(a).snr.value for a in alone])
    assert 2.0 < independent <= 3.0
    assert speckle_statistics(together).snr.value == pytest.approx(single * np.sqrt(independent), rel=0.05)


def test_views_of_one_angle_do_not_lower_speckle():
    """One view compounded is that view; neighbouring views are not independent."""
    np.testing.assert_array_equal(amplitude(compound_deg=[8]), amplitude(steer_deg=8))
    snr = [speckle_statistics(amplitude(compound_deg=angles)).snr.value for angles in ([0], [-1, 0, 1])]
    assert snr[1] < 1.15 * snr[0]
