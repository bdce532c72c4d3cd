"""The four scenes whose cost is compared: what the plain ones lack, and that the linear ones are the same bodies, smaller."""

from __future__ import annotations

import pytest

from tests.study_cost import QUARTER, scaled, scene_of


@pytest.mark.parametrize("kind", ["convex", "linear"])
def test_plain_lacks_what_real_has(kind):
    """The same twenty solids in the same tissues; only switches, the ring and the surfaces differ."""
    plain, real = scene_of(kind, "plain"), scene_of(kind, "real")

    assert len(plain.phantom.solids) == 20 and plain.probe.kind == real.probe.kind == kind
    assert plain.phantom.materials == real.phantom.materials
    for switch in ("texture", "clutter", "lobes"):
        assert getattr(real.physics, switch) and not getattr(plain.physics, switch)
    assert plain.physics.secondary and real.physics.secondary
    assert [s.surface.roughness_um for s in real.phantom.solids if s.surface.roughness_um] == [40.0] * 3
    assert not any(s.surface.roughness_um or s.surface.wave_mm for s in plain.phantom.solids)
    assert plain.probe.main_bang_db is None and real.probe.main_bang_db == 0.0


def test_scaled_solids_keep_the_thickness_of_wires_and_foils():
    wire = {"shape": "wire", "from_mm": [2, -20, 30], "to_mm": [2, 20, 30], "diameter_mm": 0.1}
    assert scaled(wire, 0.5) == {
        "shape": "wire",
        "from_mm": [1, -10, 15],
        "to_mm": [1, 10, 15],
        "diameter_mm": 0.1,
    }
    foil = {"shape": "sheet", "curve_mm": [[-60, 120], [60, 120]], "thickness_mm": 0.1}
    assert (
        scaled(foil, QUARTER)["curve_mm"] == [[-16, 32], [16, 32]]
        and scaled(foil, QUARTER)["thickness_mm"] == 0.1
    )
