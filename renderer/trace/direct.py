"""The direct picture of one view: nodes, tables, scatterers, and their echo lines."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from renderer.probe.plan import ScanPlan
from renderer.probe.transducer import Probe, ScanSettings
from renderer.tissue.geometry import CYLINDER, SLAB
from renderer.tissue.paint import WIDE_MM, PaintedSolids
from renderer.tissue.scatterers import PER_CELL, Scatterers, ViewVolume, draw_scatterers
from renderer.trace import bands
from renderer.trace import gather as g
from renderer.trace import tables as tb
from renderer.trace.elevation import ElevationTable, elevation_table
from renderer.trace.lines import line_reaches, trace_lines
from renderer.trace.phantom import PackedPhantom
from renderer.trace.rays import WEAK
from renderer.trace.surfaces import point_reflectors, surface_samples

Array = np.ndarray

N_OFFSETS, N_OFFSETS_BENT = 40, 80  # offsets of a table row; more where refraction spreads the beam
MAX_NODES = 360
BEAMLETS = (13, 13)
FLOOR = 1e-5  # one-way amplitude at which a ray is given up
NEAREST_NODE_MM = 0.3
LEAST_ELEMENTS = 4
STRONG = 0.25  # reflection of a material against the background that makes mirrors
SPREAD_LEGS = 0.35  # how far sideways mirrored lines are followed, per depth
APODISATION = {"none": 0, "hamming": 1, "hann": 2}
# Backscatter coefficient of the reference tissue, 1/(mm sr) at 1 MHz, growing with f^1.4. Geometric mean
# of calf liver in vitro (Campbell and Waag 1984: 3.7e-6 f^1.4, 3-7 MHz) and human liver in vivo (Lu,
# Zagzebski, Lee 1999, Ultrasound Med Biol 25:1047: 0.5e-3 /(cm sr) at 3 MHz = 1.07e-5 f^1.4).
REFERENCE_BACKSCATTER = 6.3e-6
BACKSCATTER_POWER = 1.4


@dataclass(frozen=True)
class Pulse:
    """The pulse of the settings in force: Gaussian, ``sigma_mhz`` the SD of its two-way amplitude spectrum."""

    frequency_mhz: float
    sigma_mhz: float

    @property
    def sigma_us(self) -> float:
        """SD of the amplitude envelope in two-way time."""
        return 1 / (2 * math.pi * self.sigma_mhz)


@dataclass(frozen=True)
class View:
    """Everything fixed by probe, settings and steering: what the kernels are handed."""

    plan: ScanPlan
    pulse: Pulse
    lines: Array  # (L, 4)
    settings: Array  # (N_SETTINGS,)
    base_s_mm: Array  # (N0,)
    elevation: ElevationTable
    volume: ViewVolume
    focus_mm: Array
    fine_us: float  # step of the fine time grid
    n_fine: int
    samples_mm: float
    taps: Array  # pulse on the fine grid
    assumed: float


@dataclass(frozen=True)
class TracedLines:
    """Nodes and tables of a view, and the echoes of its surfaces."""

    nodes: Array  # (L, N, N_NODE)
    n_nodes: Array  # (L,)
    tables: Array  # (L, N, U) complex64
    surface_fine: Array  # (L, 2 T') float32
    surface_best: Array  # (L, T') float32
    surface_index: Array  # (L, T') int32
    samples: Array  # (Q, N_SAMPLE)


def make_pulse(probe: Probe, scan: ScanSettings) -> Pulse:
    """The pulse: the probe's absolute bandwidth round the centre frequency in force."""
    full_width = probe.bandwidth * probe.frequency_mhz
    return Pulse(scan.frequency_mhz, full_width / (2 * math.sqrt(2 * math.log(2))))


def node_distances(far_mm: float) -> Array:
    """Distances of the table nodes: spacing a thirtieth of the distance, at least 0.3 mm."""
    s = [0.05]
    while s[-1] < far_mm:
        s.append(s[-1] + max(NEAREST_NODE_MM, s[-1] / 30))
    return np.array(s)


def pulse_taps(pulse: Pulse, fine_us: float) -> Array:
    """Gaussian pulse on the fine grid, made up for the triangle that each deposit is spread over."""
    half = int(math.ceil(3.8 * pulse.sigma_us / fine_us)) + 1
    n = 16 * half
    f = np.fft.fftfreq(n, fine_us)
    spectrum = np.exp(-0.5 * (f / pulse.sigma_mhz) ** 2) / np.sinc(f * fine_us) ** 2
    taps = np.fft.ifft(spectrum).real
    taps /= math.sqrt(2 * math.pi) * pulse.sigma_mhz * fine_us  # peak 1 before the make-up
    return np.asarray(np.concatenate([taps[-half:], taps[: half + 1]]).astype(np.float32))


def view_lines(plan: ScanPlan) -> Array:
    """Origin x, z and direction x, z of every line, (L, 4)."""
    return np.ascontiguousarray(np.hstack([plan.line_origin_mm[:, [0, 2]], plan.line_direction[:, [0, 2]]]))


def deepest_mm(
    plan: ScanPlan, scan: ScanSettings, phantom: PackedPhantom, *, refraction: bool, end_us: float
) -> float:
    """How far the sound comes along a line in a two-way time."""
    reaches = np.zeros(plan.n_lines)
    farthest = 0.5 * end_us * float(phantom.media[:, 0].max())
    line_reaches(
        view_lines(plan), phantom.solids, phantom.media, farthest, FLOOR, refraction, end_us,
        scan.assumed_speed_mm_per_us, reaches,
    )  # fmt: skip
    return float(reaches.max())


def make_view(
    probe: Probe,
    scan: ScanSettings,
    plan: ScanPlan,
    phantom: PackedPhantom,
    *,
    far_mm: float,
    refraction: bool,
    points_mm: float | None = None,
    samples_mm: float | None = None,
    elements: tuple[float, ...] = (),
    wall_us: tuple[float, ...] = (),
) -> View:
    """What the kernels need of a view.

    ``far_mm``: how far the lines are followed; ``points_mm`` and ``samples_mm``: how deep points and
    surfaces are needed, when that is more. ``elements``: strength of each, or none for a sound probe; ``wall_us``:
    delay that the wall under the probe adds to each, or none.
    """
    points_mm, samples_mm = max(points_mm or far_mm, far_mm), max(samples_mm or far_mm, far_mm)
    pulse = make_pulse(probe, scan)
    f0, c = scan.frequency_mhz, scan.assumed_speed_mm_per_us
    m = np.zeros(bands.N_SETTINGS)
    m[bands.S_F0], m[bands.S_SIGMA], m[bands.S_ASSUMED] = f0, pulse.sigma_mhz, c
    m[bands.S_TX_F], m[bands.S_RX_F] = scan.transmit_f_number, scan.receive_f_number
    m[bands.S_CHANNEL_HALF], m[bands.S_FACE_HALF] = plan.channel_half_mm, plan.face_half_mm
    m[bands.S_RADIUS] = min(plan.face_radius_mm, 1e12)
    m[bands.S_PITCH], m[bands.S_HEIGHT], m[bands.S_LENS] = (
        probe.pitch_mm,
        probe.height_mm,
        probe.lens_focus_mm,
    )
    m[bands.S_APODISATION] = APODISATION[scan.apodisation]
    m[bands.S_REFRACT] = float(refraction)
    m[bands.S_FLOOR] = FLOOR
    m[bands.S_LEAST_HALF] = min(LEAST_ELEMENTS / 2 * probe.pitch_mm, plan.channel_half_mm)
    z = phantom.media[[0, *phantom.painted.region[phantom.painted.traced]], 1]
    m[bands.S_GHOSTS] = float((np.abs(z - z[0]) / (z + z[0])).max() > WEAK)
    fine = 0.5 * plan.sample_us
    m[bands.S_SAMPLE] = fine
    m[bands.S_HARMONIC] = harmonic_growth(scan, plan) if scan.harmonic else 0.0
    m[bands.S_ELEMENTS] = probe.n_elements
    if elements or wall_us:
        m = np.concatenate([m, [0.0], np.cumsum(elements or (1.0,) * probe.n_elements), wall_us])
    lines = view_lines(plan)
    elevation = elevation_table(
        f0,
        pulse.sigma_mhz,
        phantom.media[0, 3],
        c,
        probe.height_mm,
        probe.lens_focus_mm,
        2 * max(points_mm, samples_mm),
    )
    return View(
        plan=plan, pulse=pulse, lines=lines, settings=m, base_s_mm=node_distances(far_mm), elevation=elevation,
        volume=_view_volume(scan, plan, pulse, elevation, points_mm, phantom), focus_mm=np.array(scan.focus_mm),
        fine_us=fine, n_fine=2 * len(plan.time_us) + 40, samples_mm=samples_mm, taps=pulse_taps(pulse, fine), assumed=c,
    )  # fmt: skip


def harmonic_growth(scan: ScanSettings, plan: ScanPlan) -> float:
    """Growth of the second harmonic with distance, 1/mm, re the square of the sent field in a beam's own units.

    So that at the first focus the harmonic is as strong as the sent field is there: how much of it a real pulse
    makes depends on pressures that are not modelled, and only the noise tells (see ``HARMONIC_DB``).
    """
    focus = scan.focus_mm[0]
    half = min(0.5 * focus / scan.transmit_f_number, plan.channel_half_mm)
    at_focus = 2 * half / math.sqrt(2 * scan.assumed_speed_mm_per_us / scan.frequency_mhz * focus)
    return 1 / (at_focus * focus)


def _view_volume(
    scan: ScanSettings, plan: ScanPlan, pulse: Pulse, elevation: ElevationTable, far_mm: float,
    phantom: PackedPhantom,
) -> ViewVolume:  # fmt: skip
    """Where points are needed, and how many: PER_CELL in each resolution cell of the beam at that depth."""
    step = 0.5
    depth = np.arange(int(far_mm / step) + 3) * step
    s = np.maximum(depth, 0.5)
    wavelength = scan.assumed_speed_mm_per_us / scan.frequency_mhz
    f_rx = np.maximum(scan.receive_f_number, s / (2 * plan.channel_half_mm))
    lateral = 1.0 * wavelength * f_rx
    slit = np.abs(elevation.speckle[elevation.row_of(s).astype(int)]) ** 2
    reach = elevation.reach_at(s)
    thickness = 2 * reach * slit.mean(1) / slit.max(1)
    axial = 0.5 * scan.assumed_speed_mm_per_us * pulse.sigma_us * math.sqrt(2 * math.pi)
    cell = lateral * thickness * axial
    tube = bands.TUBE_WIDTHS * wavelength * f_rx
    steer, lean = abs(math.tan(plan.fan.steer_rad)), 1.0
    if (
        plan.fan.radius_mm == 0.0 or plan.fan.apex_mm
    ):  # a flat face: the outermost lines, and their tubes across
        dx, dz = np.abs(plan.line_direction[:, 0]).max(), plan.line_direction[:, 2].min()
        steer, lean = float(dx / dz), float(dz)
    margin = float(tube[0]) + 1.0
    slope = steer + float(tube[-1]) / far_mm / lean
    # Strong surfaces may turn lines sideways, out of the picture
    z = phantom.media[:, 1]
    strong = float((np.abs(z - z[0]) / (z + z[0])).max()) > STRONG
    return ViewVolume(
        face_radius_mm=float(min(plan.face_radius_mm, 1e12)), place_half_mm=plan.face_half_mm + margin,
        place_slope=slope, wide_slope=slope + (SPREAD_LEGS if strong else 0.0), depth_end_mm=far_mm, depth_step_mm=step, density_per_mm3=PER_CELL / cell,
        reach_mm=reach, fan=plan.fan.numbers,
    )  # fmt: skip


def draw_points(
    view: View, phantom: PackedPhantom, textures: Array, texture_of: Array, key: int
) -> Scatterers:
    """The scatterers that a view can see."""
    return draw_scatterers(
        phantom.solids, np.ascontiguousarray(phantom.media[:, 4:6]), textures, texture_of, phantom.fibres,
        view.volume, rotation=phantom.rotation, shift_mm=phantom.shift_mm, key=key,
    )  # fmt: skip


def view_samples(view: View, phantom: PackedPhantom, key: int) -> Array:
    """All surface samples and point reflectors of a view."""
    half = view.volume.place_half_mm + view.volume.place_slope * view.samples_mm
    far = view.samples_mm
    radius = view.volume.face_radius_mm
    if radius > 1e8:
        x_range, z_range = (-half, half), (0.0, far)
    else:
        angle = min((view.volume.place_half_mm + 1) / radius + view.volume.place_slope, math.pi / 2)
        x_half = (radius + far) * math.sin(angle)
        x_range, z_range = (-x_half, x_half), (radius * (math.cos(angle) - 1), far)
    common: Any = dict(
        fan=view.plan.fan, frequency_mhz=view.pulse.frequency_mhz, speed_mm_per_us=view.assumed
    )
    sheets = surface_samples(
        phantom.painted, phantom.solids, phantom.media, view.elevation, x_range_mm=x_range, z_range_mm=z_range,
        key=key, **common,
    )  # fmt: skip
    points = point_reflectors(phantom.painted, phantom.solids, phantom.media, view.elevation, **common)
    return np.concatenate([sheets, points])


def n_offsets(phantom: PackedPhantom) -> int:
    """Offsets of a table row: more where solids that are no flat layers bend the beam or cut it."""
    bent = phantom.painted.traced & (phantom.painted.kinds != SLAB)
    speed = phantom.media[phantom.painted.region[bent], 0]
    spread = np.abs(speed / phantom.media[0, 0] - 1)
    return N_OFFSETS_BENT if (spread > 0.02).any() else N_OFFSETS


def ends_across(painted: PaintedSolids) -> Array:
    """Circles in the picture plane round the bodies that end or change across the slice: x, z, radius, (E, 3)."""
    rows, tube = painted.rows, painted.kinds == CYLINDER
    bounds = rows[:, [20, 22, 23]]
    # A long tube across the slice: only the piece within it
    axis, foot, length = rows[tube, 6:9], rows[tube, 9:12], rows[tube, 13]
    lean = np.where(np.abs(axis[:, 1]) < 1e-6, 1e-6, axis[:, 1])
    one, other = (-WIDE_MM - foot[:, 1]) / lean, (WIDE_MM - foot[:, 1]) / lean
    start = np.clip(np.minimum(one, other), 0.0, length)
    end = np.clip(np.maximum(one, other), 0.0, length)
    bounds[tube, :2] = (foot + axis * (0.5 * (start + end))[:, None])[:, [0, 2]]
    bounds[tube, 2] = 0.5 * (end - start) * np.hypot(axis[:, 0], axis[:, 2]) + rows[tube, 12]
    return np.ascontiguousarray(bounds[painted.traced & ~painted.everywhere])


def trace_view(view: View, phantom: PackedPhantom, samples: Array, *, end_us: float) -> TracedLines:
    """Trace all lines of a view."""
    n_lines = view.plan.n_lines
    nodes = np.zeros((n_lines, min(MAX_NODES, len(view.base_s_mm) + 60), tb.N_NODE))
    n_nodes = np.zeros(n_lines, np.int64)
    tables = np.zeros((n_lines, nodes.shape[1], n_offsets(phantom)), np.complex64)
    fine = np.zeros((n_lines, 2 * view.n_fine), np.float32)
    best = np.zeros((n_lines, view.n_fine), np.float32)
    index = np.full((n_lines, view.n_fine), -1, np.int32)
    trace_lines(
        view.lines, view.plan.face_mm, view.focus_mm, view.plan.focus_edges_mm, view.base_s_mm, end_us,
        view.settings, ends_across(phantom.painted), phantom.solids, phantom.media, samples, BEAMLETS, nodes, n_nodes,
        tables, fine, best, index,
    )  # fmt: skip
    return TracedLines(nodes, n_nodes, tables, fine, best, index, samples)


def gather_points(
    view: View, traced: TracedLines, points: Scatterers, across: Array
) -> tuple[Array, Array, Array]:
    """Echoes of points: (L, 4, 2 T') float32 by class, strongest contribution and its point.

    ``across`` (Z, N): the elevation table for them, ``speckle`` for scatterers, ``settled`` for points that stand alone.
    """
    n_lines = view.plan.n_lines
    iq = np.zeros((n_lines, g.N_DIRECT_CLASSES, 2 * view.n_fine), np.float32)
    best = np.zeros((n_lines, view.n_fine), np.float32)
    index = np.full((n_lines, view.n_fine), -1, np.int32)
    re, im, height = (np.empty(len(points.x_mm), np.float32) for _ in range(3))
    e = view.elevation
    g.weigh_points(
        points.x_mm, points.y_mm, points.z_mm, points.amplitude, view.plan.fan.numbers,
        (across, e.log_start, e.log_step, e.reach_mm, e.early_mm), point_scale(view), re, im, height,
    )  # fmt: skip
    g.gather(
        view.lines, traced.nodes, traced.n_nodes, traced.tables, points.x_mm, height, points.z_mm, re, im,
        points.region, points.region_in_plane, points.starts, points.grid, points.face_radius_mm,
        view.pulse.frequency_mhz, view.assumed, view.fine_us, iq, best, index,
    )  # fmt: skip
    return iq, best, index


def point_scale(view: View) -> float:
    """Scattering length of the reference tissue per root density, times the wavelength.

    A point of scattering length a gives lambda a T R in units where a plane mirror gives the
    integral of T R over its surface (Kirchhoff; one constant ties planes and speckle at all depths).
    """
    f = view.pulse.frequency_mhz
    return view.assumed / f * math.sqrt(REFERENCE_BACKSCATTER * f**BACKSCATTER_POWER)


def speckle_power(view: View, nodes: Array, n_nodes: int) -> tuple[Array, Array]:
    """Expected power of the reference tissue's echo on a traced line, by two-way time.

    Returns
    -------
    time_us : (N,) ascending; power : (N,) mean of |iq|^2
    """
    keep = (nodes[:n_nodes, tb.N_ALIVE] > 0) & (nodes[:n_nodes, tb.N_S] > 0.2)
    s, gain = nodes[:n_nodes][keep, tb.N_S], nodes[:n_nodes][keep, tb.N_GAIN]
    row = view.elevation.row_of(s)
    i = row.astype(int)
    w = row - i
    reach = view.elevation.reach_mm
    thick = (
        2
        * reach
        * np.trapezoid(
            np.abs(view.elevation.speckle) ** 2, dx=1 / (view.elevation.speckle.shape[1] - 1), axis=1
        )
    )
    thickness = (1 - w) * thick[i] + w * thick[i + 1]
    axial = 0.5 * view.assumed * math.sqrt(math.pi) * view.pulse.sigma_us
    return nodes[:n_nodes][keep, tb.N_TIME], point_scale(view) ** 2 * gain * thickness * axial


def shape(view: View, rows: Array) -> Array:
    """Pulse-shaped baseband of fine rows: (N, 2 T') float32 to (N, T) complex64."""
    out = np.empty((rows.shape[0], len(view.plan.time_us)), np.complex64)
    g.shape_pulse(rows, view.taps, out)
    return out
