"""The phantom as the tracer sees it: packed in the probe frame, at the frequency in force."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from renderer.probe.plan import world_from_probe
from renderer.probe.transducer import Pose
from renderer.tissue.materials import Material
from renderer.tissue.paint import PaintedSolids, paint, region_properties
from renderer.tissue.solids import Solid
from renderer.tissue.table import REFERENCE_TISSUE, material

Array = np.ndarray


@dataclass(frozen=True)
class Switches:
    """Which parts of the physics are on; switching one off gives the picture without its effect."""

    refraction: bool = True
    speed: bool = True
    attenuation: bool = True
    secondary: bool = True


@dataclass(frozen=True)
class PackedPhantom:
    """Solids and media for the kernels, in the probe frame.

    ``media`` (G, 6): speed, impedance, one-way loss at the pulse centre, its slope, backscatter
    amplitude, scatterer density. ``solids``: kinds, rows, outline, spans, region, traced.
    """

    painted: PaintedSolids
    solids: tuple[Array, ...]
    media: Array
    fibres: Array  # (G, 3) direction in the picture plane (rad), drop (dB), half angle (rad)
    rotation: Array  # world to probe
    shift_mm: Array


def pack_phantom(
    solids: Sequence[Solid],
    materials: Mapping[str, Material],
    background: str,
    coupling: str,
    pose: Pose,
    *,
    frequency_mhz: float,
    assumed_speed_mm_per_us: float,
    switches: Switches,
) -> PackedPhantom:
    """The phantom in the frame of the probe."""
    to_world, shift = world_from_probe(pose)
    limit = 1.5 * assumed_speed_mm_per_us / frequency_mhz
    painted = paint(
        solids, background, coupling, rotation=to_world.T, shift_mm=shift, reflector_limit_mm=limit
    )
    media = region_properties(painted.regions, materials, frequency_mhz)
    if not switches.attenuation:  # everything loses as the background does
        media[:, 2:4] = media[0, 2:4]
    if not switches.speed:
        media[:, 0] = assumed_speed_mm_per_us
    fibres = np.zeros((len(painted.regions), 3))
    for g, region in enumerate(painted.regions):
        a = materials[region.tissue].anisotropy
        if a is not None:
            along = to_world.T @ np.array([math.cos(a.direction_rad), 0.0, math.sin(a.direction_rad)])
            fibres[g] = [math.atan2(along[2], along[0]), a.drop_db, a.half_angle_rad]
    packed = (
        painted.kinds, painted.rows, painted.outline, painted.outline_span, painted.region, painted.traced
    )  # fmt: skip
    return PackedPhantom(painted, packed, media, fibres, to_world.T.copy(), shift)


def reference_phantom(*, frequency_mhz: float, assumed_speed_mm_per_us: float) -> PackedPhantom:
    """A phantom of the reference tissue throughout: what the machine's factory curve is made for."""
    return pack_phantom(
        [], {REFERENCE_TISSUE: material(REFERENCE_TISSUE)}, REFERENCE_TISSUE, REFERENCE_TISSUE, Pose(),
        frequency_mhz=frequency_mhz, assumed_speed_mm_per_us=assumed_speed_mm_per_us, switches=Switches(),
    )  # fmt: skip
