"""The scan plan: where each line starts and points, what is sent, and when it is listened to."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from renderer.probe.transducer import Pose, Probe, ScanSettings

SAMPLES_PER_CYCLE = 2.2  # complex samples per carrier cycle: holds a 100 % band
DEAD_TIME = 1.25  # pause between pulses re the time to the deepest echo; common practice, no source

Array = np.ndarray


@dataclass(frozen=True)
class ScanPlan:
    """One view: ``L`` lines, ``T`` samples. All in the probe frame."""

    line_origin_mm: Array  # (L, 3)
    line_direction: Array  # (L, 3)
    face_mm: Array  # (L,) place of the line's origin along the face, from its middle
    line_gap_rad: float  # angle between neighbouring lines; 0: parallel
    fan_radius_mm: (
        float  # of the circle whose centre all unsteered lines come from: inf: parallel, 0: one point
    )
    steer_rad: float
    time_us: Array  # (T,) two-way time, 0 when the pulse centre leaves the face
    sample_us: float
    face_radius_mm: float  # inf for a flat face
    face_half_mm: float  # half the length of the face
    channel_half_mm: float  # half the largest aperture that the channels can drive
    pulse_interval_us: float
    focus_edges_mm: Array  # (F + 1,) assumed depth from which each focus serves

    @property
    def n_lines(self) -> int:
        """Number of lines."""
        return len(self.face_mm)

    def line_spacing_mm(self, distance_mm: Array) -> Array:
        """Distance between neighbouring lines at a distance along them, mm; at least a thousandth."""
        on_face = float(np.mean(np.diff(self.face_mm))) if self.n_lines > 1 else 1.0
        if math.isinf(self.fan_radius_mm):
            return np.full_like(distance_mm, on_face)
        return np.asarray(np.maximum(on_face + self.line_gap_rad * distance_mm, 1e-3))


def face_point(face_mm: Array, radius_mm: float) -> tuple[Array, Array]:
    """Points of the face and its outward normals, (n, 3) each, by place along the face."""
    a = np.atleast_1d(np.asarray(face_mm, float))
    zero = np.zeros_like(a)
    if math.isinf(radius_mm):
        return np.column_stack([a, zero, zero]), np.column_stack([zero, zero, zero + 1])
    s, c = np.sin(a / radius_mm), np.cos(a / radius_mm)
    return np.column_stack([radius_mm * s, zero, radius_mm * (c - 1)]), np.column_stack([s, zero, c])


def pulse_interval_us(scan: ScanSettings) -> float:
    """Time between two pulses, µs. ``prf_hz`` None: the time to the deepest echo and a pause."""
    if scan.prf_hz is not None:
        return 1e6 / scan.prf_hz
    return DEAD_TIME * 2 * scan.depth_mm / scan.assumed_speed_mm_per_us


def scan_plan(probe: Probe, scan: ScanSettings, *, steer_rad: float) -> ScanPlan:
    """The plan of one view at one steering angle (positive looks to the right).

    The lines of a linear or convex probe leave the face evenly spaced, square on to it where they are not
    steered. All lines of a sector probe leave the middle of its flat face, each steered by its own angle.
    """
    radius = probe.radius_mm if probe.kind == "convex" and probe.radius_mm else math.inf
    half = 0.5 * probe.n_elements * probe.pitch_mm
    place = 2 * (np.arange(scan.n_lines) + 0.5) / scan.n_lines - 1
    own_rad = 0.5 * (probe.sector_rad or 0.0) * place
    face = half * place if probe.sector_rad is None else np.zeros(scan.n_lines)
    origin, normal = face_point(face, radius)
    s, c = np.sin(steer_rad + own_rad), np.cos(steer_rad + own_rad)
    direction = np.column_stack([
        c * normal[:, 0] + s * normal[:, 2], np.zeros(len(face)), c * normal[:, 2] - s * normal[:, 0]
    ])  # fmt: skip
    sample_us = 1 / (SAMPLES_PER_CYCLE * scan.frequency_mhz)
    n_samples = int(math.ceil(2 * scan.depth_mm / scan.assumed_speed_mm_per_us / sample_us)) + 1
    channels = probe.n_channels or probe.n_elements
    focus = np.array(scan.focus_mm)
    edges = np.concatenate([[0.0], 0.5 * (focus[1:] + focus[:-1]), [np.inf]])
    return ScanPlan(
        line_origin_mm=origin,
        line_direction=direction,
        face_mm=face,
        line_gap_rad=(2 * half / radius if probe.sector_rad is None else probe.sector_rad) / scan.n_lines,
        fan_radius_mm=radius if probe.sector_rad is None else 0.0,
        steer_rad=steer_rad,
        time_us=np.arange(n_samples) * sample_us,
        sample_us=sample_us,
        face_radius_mm=radius,
        face_half_mm=half,
        channel_half_mm=min(half, 0.5 * channels * probe.pitch_mm),
        pulse_interval_us=pulse_interval_us(scan),
        focus_edges_mm=edges,
    )


def view_angles(scan: ScanSettings) -> tuple[float, ...]:
    """Steering angles of the views: the plain view first, as truth is told in it."""
    if not scan.compound_rad:
        return (scan.steer_rad,)
    return tuple(sorted(scan.compound_rad, key=lambda a: (abs(a - scan.steer_rad), a)))


def world_from_probe(pose: Pose) -> tuple[Array, Array]:
    """Rotation (3, 3) and shift (3,) of the probe in the world: world = rotation @ probe + shift.

    The probe is turned about z, then fanned out of the plane (positive towards +y), then rocked in
    the plane (positive dips the right end); then it slides along its own x and lifts off along -z.
    """
    ct, st = math.cos(pose.turn_rad), math.sin(pose.turn_rad)
    cf, sf = math.cos(pose.fan_rad), math.sin(pose.fan_rad)
    cr, sr = math.cos(pose.rock_rad), math.sin(pose.rock_rad)
    turn = np.array([[ct, -st, 0], [st, ct, 0], [0, 0, 1.0]])
    fan = np.array([[1.0, 0, 0], [0, cf, sf], [0, -sf, cf]])
    rock = np.array([[cr, 0, -sr], [0, 1.0, 0], [sr, 0, cr]])
    rotation = turn @ fan @ rock
    return rotation, pose.slide_mm * rotation[:, 0] + np.array([0.0, 0.0, -pose.lift_mm])
