"""Delays that uneven layers right under the probe add, element by element: the phase screen of a body wall."""

from __future__ import annotations

import numpy as np

from renderer.probe.faults import element_places_mm
from renderer.probe.plan import face_point, face_radius_mm, world_from_probe
from renderer.probe.transducer import Pose, Probe
from renderer.tissue.hashing import value_noise
from renderer.tissue.solids import Aberration

STREAM = 213  # of the screen among those of the tissue


def wall_delays_us(probe: Probe, pose: Pose, aberration: Aberration | None, key: int) -> tuple[float, ...]:
    """One-way delay of every element, us; none for a wall that adds none.

    Smooth noise of the given standard deviation and scale, anchored in the world: the screen stays where it is
    while the probe slides over it. Alike for all directions and frequencies, as of layers thin against the depth.
    """
    if aberration is None:
        return ()
    to_world, shift = world_from_probe(pose)
    places, _ = face_point(element_places_mm(probe), face_radius_mm(probe))
    delays = []
    for place in places:
        x, y, _ = to_world @ place + shift
        noise = value_noise(
            np.uint64(key) + np.uint64(STREAM), x / aberration.length_mm, y / aberration.length_mm, 0.5
        )
        delays.append(aberration.delay_us * float(noise))
    return tuple(delays)
