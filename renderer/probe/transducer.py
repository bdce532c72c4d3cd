"""The probe, its pose, and the settings that decide what is sent and listened to."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class Probe:
    """A one-dimensional array with a fixed elevation lens.

    ``bandwidth`` is the full width of the two-way pulse spectrum at -6 dB (amplitude), as a
    fraction of the centre frequency; the spectrum is Gaussian.
    """

    kind: Literal["linear", "convex", "sector"]
    n_elements: int
    pitch_mm: float
    frequency_mhz: float
    bandwidth: float
    height_mm: float
    lens_focus_mm: float
    radius_mm: float | None = None  # convex: radius of the face
    face_reflection_db: float = -12.0
    n_channels: int | None = None  # None: all elements at once
    sector_rad: float | None = None  # sector: angle between the outer edges of the picture
    main_bang_db: float | None = (
        0.0  # level of the ring of the pulse at the face, re full scale; None: it does not ring
    )


@dataclass(frozen=True)
class Pose:
    """Where the probe is in the world: turn about z, then fan, then rock, about the face centre; then slide and lift."""

    slide_mm: float = 0.0
    lift_mm: float = 0.0
    rock_rad: float = 0.0
    fan_rad: float = 0.0
    turn_rad: float = 0.0


@dataclass(frozen=True)
class ScanSettings:
    """What the machine sends and how it listens: everything before the receiver's gain."""

    n_lines: int
    depth_mm: float
    frequency_mhz: float
    focus_mm: tuple[float, ...]
    transmit_f_number: float
    receive_f_number: float
    apodisation: Literal["none", "hamming", "hann"]
    assumed_speed_mm_per_us: float
    prf_hz: float | None = None  # None: as fast as the depth allows
    steer_rad: float = 0.0
    compound_rad: tuple[float, ...] = ()  # empty: one view at steer_rad
    pixel_mm: float | None = None  # None: chosen from the depth
    harmonic: bool = False  # sent at half of ``frequency_mhz``, which is what is listened to
    clutter_db: float = -22.0  # level of the haze re the tissue round about
    view_mm: tuple[float, float] | None = (
        None  # linear: the stretch of the face that is scanned; None: all of it
    )
    # Directions of the picture's left and right edge, to the axis of the probe. None: those of the whole array
    view_rad: tuple[float, float] | None = None
