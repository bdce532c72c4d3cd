"""The scan plan: where each line starts and points, what is sent, and when it is listened to."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from renderer.probe.transducer import Pose, Probe, ScanSettings

SAMPLES_PER_CYCLE = 2.2  # complex samples per carrier cycle: holds a 100 % band
FAR_MM = 1e12  # stands for infinity in kernels
DEAD_TIME = 1.25  # pause between pulses re the time to the deepest echo; common practice, no source

Array = np.ndarray


@dataclass(frozen=True)
class Fan:
    """How the lines of a view spread: enough to tell which line passes through a place of the picture plane.

    Without an apex the lines leave a circle of ``radius_mm`` round a point that far behind the middle of the face,
    each turned by ``steer_rad`` to the right of the radius (inf: parallel lines; 0: all from one point). With an
    apex they leave a flat face as if they came from one point: its x, and how far it lies behind the face.
    """

    radius_mm: float
    steer_rad: float
    apex_mm: tuple[float, float] | None = None

    @property
    def numbers(self) -> tuple[float, float, float, float, float]:
        """The same for kernels: radius, sine and cosine of the steering, apex; 1e12 stands for infinity."""
        x, behind = self.apex_mm or (0.0, math.inf)
        sine, cosine = math.sin(self.steer_rad), math.cos(self.steer_rad)
        return float(min(self.radius_mm, FAR_MM)), sine, cosine, float(x), float(min(behind, FAR_MM))


@dataclass(frozen=True)
class ScanPlan:
    """One view: ``L`` lines, ``T`` samples. All in the probe frame."""

    line_origin_mm: Array  # (L, 3)
    line_direction: Array  # (L, 3)
    face_mm: Array  # (L,) place of the line's origin along the face, from its middle
    line_gap_rad: float  # angle between neighbouring lines; 0: parallel
    fan: Fan
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
        if self.line_gap_rad == 0.0:
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


def face_radius_mm(probe: Probe) -> float:
    """Radius of the face; inf for a flat one."""
    return probe.radius_mm if probe.kind == "convex" and probe.radius_mm else math.inf


def view_stretch_mm(probe: Probe, scan: ScanSettings) -> tuple[float, float]:
    """Stretch of the face, from its middle, over which the lines are spread; a sector's lines share the middle."""
    half = 0.5 * probe.n_elements * probe.pitch_mm
    if probe.sector_rad is not None:
        return 0.0, 0.0
    if probe.kind == "convex":
        radius = face_radius_mm(probe)
        return (
            (-half, half) if scan.view_rad is None else (radius * scan.view_rad[0], radius * scan.view_rad[1])
        )
    return scan.view_mm or (-half, half)


def view_turns_rad(probe: Probe, scan: ScanSettings) -> tuple[float, float]:
    """Angles to the normal of the face by which the edges of the picture are turned, without steering."""
    if probe.sector_rad is not None:
        return scan.view_rad or (-0.5 * probe.sector_rad, 0.5 * probe.sector_rad)
    return scan.view_rad or (0.0, 0.0) if probe.kind == "linear" else (0.0, 0.0)


def whole_view(probe: Probe, scan: ScanSettings) -> ScanSettings:
    """The settings with the whole array scanned; a linear probe's lines spread as before."""
    return replace(scan, view_mm=None, view_rad=scan.view_rad if probe.kind == "linear" else None)


def _turned(turns: tuple[float, float], stretch: tuple[float, float], place: Array) -> tuple[Array, Fan]:
    """Angles of the lines of a linear probe at places -1..1 of a stretch, (L,), and how they spread.

    The tangent is even along the face, so that all lines come from one point behind it.
    """
    if turns[0] == turns[1]:
        return np.full(len(place), turns[0]), Fan(math.inf, turns[0])
    low, high = math.tan(turns[0]), math.tan(turns[1])
    behind = (stretch[1] - stretch[0]) / (high - low)
    x = 0.5 * (stretch[0] + stretch[1]) - 0.5 * (low + high) * behind
    angle = np.arctan(0.5 * (low + high) + 0.5 * (high - low) * place)
    return angle, Fan(math.inf, 0.0, apex_mm=(x, behind))


def scan_plan(probe: Probe, scan: ScanSettings, *, steer_rad: float) -> ScanPlan:
    """The plan of one view at one steering angle (positive looks to the right).

    The lines of a linear or convex probe leave the face evenly spaced, square on to it where they are not
    steered. All lines of a sector probe leave the middle of its flat face, each steered by its own angle.
    With ``view_rad`` those of a linear probe spread from the direction of the picture's left edge to that of its
    right edge, and steering turns both. Edges lie half a gap beyond the outer lines.
    """
    radius = face_radius_mm(probe)
    half = 0.5 * probe.n_elements * probe.pitch_mm
    stretch, turns = view_stretch_mm(probe, scan), view_turns_rad(probe, scan)
    place = 2 * (np.arange(scan.n_lines) + 0.5) / scan.n_lines - 1
    face = 0.5 * (stretch[1] - stretch[0]) * place + 0.5 * (stretch[0] + stretch[1])
    if probe.kind == "linear":
        angle, fan = _turned((turns[0] + steer_rad, turns[1] + steer_rad), stretch, place)
    else:
        angle = steer_rad + 0.5 * (turns[1] - turns[0]) * place + 0.5 * (turns[0] + turns[1])
        fan = Fan(radius if probe.kind == "convex" else 0.0, steer_rad)
    origin, normal = face_point(face, radius)
    s, c = np.sin(angle), np.cos(angle)
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
        line_gap_rad=((stretch[1] - stretch[0]) / radius + turns[1] - turns[0]) / scan.n_lines,
        fan=fan,
        time_us=np.arange(n_samples) * sample_us,
        sample_us=sample_us,
        face_radius_mm=radius,
        face_half_mm=half,
        channel_half_mm=min(half, 0.5 * channels * probe.pitch_mm),
        pulse_interval_us=pulse_interval_us(scan),
        focus_edges_mm=edges,
    )


def some_lines(plan: ScanPlan, which: slice | Array) -> ScanPlan:
    """The plan of some of its lines."""
    return replace(
        plan, line_origin_mm=plan.line_origin_mm[which], line_direction=plan.line_direction[which],
        face_mm=plan.face_mm[which],
    )  # fmt: skip


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
