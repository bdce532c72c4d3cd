"""The echo lines of one view by origin class: the tracer's result, and all that later stages see."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from renderer.probe.faults import FacePiece
from renderer.probe.plan import ScanPlan, pulse_interval_us, scan_plan, some_lines, whole_view
from renderer.probe.transducer import Pose, Probe, ScanSettings
from renderer.tissue.materials import Material
from renderer.tissue.scatterers import Scatterers
from renderer.tissue.solids import Aberration
from renderer.trace import bands
from renderer.trace import branches as br
from renderer.trace import direct as d
from renderer.trace import lobes as lb
from renderer.trace.clutter import clutter_lines
from renderer.trace.face import element_fault_db, main_bang, secondary_factor
from renderer.trace.indirect import SecondaryLines, trace_secondary
from renderer.trace.phantom import PackedPhantom, Switches, pack_phantom, reference_phantom
from renderer.trace.ring_down import ring_down_lines
from renderer.trace.sheets import N_SAMPLE
from renderer.trace.uneven_loss import with_uneven_loss
from renderer.trace.wall_delays import wall_delays_us

Array = np.ndarray

REFERENCE_LEVEL_DB = -38.0
REFERENCE_SLOPE_DB_CM_MHZ = 0.5

DIRECT_CLASSES = ("direct", "beam_width", "slice_thickness", "side_lobe")
OTHER_CLASSES = ("grating_lobe", "clutter", "ring_down", "main_bang")
SECONDARY_CLASSES = ("multipath", "mirror", "reverberation", "range_ambiguity")
RECEIVED_CLASSES = ("interference", "crosstalk")
CLASS_NAMES = DIRECT_CLASSES + OTHER_CLASSES + SECONDARY_CLASSES + RECEIVED_CLASSES

# Echoes this far below full scale before gain are not looked for beyond the pulse interval.
LATE_FLOOR_DB = -85.0
LATE_SPECKLE_FLOOR_DB = -74.0
HARMONIC_NEAR = 0.2  # part of the first focus up to which the factory curve of a harmonic picture is flat
BRIGHTEST_DB = 28.0  # a perfect mirror re full scale
LONGEST_WAIT = 4.0  # pulse intervals longer than this many pictures leave no echo of the pulse before
MARGIN_MM = 3.0
FASTEST = 1.25  # tissue is followed no deeper than this many pictures, however fast it is


@dataclass(frozen=True)
class ViewEchoes:
    """Echoes of one view. ``K`` classes in the order of ``class_names``.

    ``iq`` (K, L, T) complex64, in units of full scale, before noise and gain. ``flat_field_db`` (T,)
    is the factory curve of this view, 0 where the beam's gain is greatest.
    """

    iq: Array
    class_names: tuple[str, ...]
    plan: ScanPlan
    flat_field_db: Array
    view: d.View
    phantom: PackedPhantom
    points: Scatterers
    traced: d.TracedLines
    best: Array  # (L, T') squared size of the strongest direct contribution, and its point
    best_index: Array
    lobe_best: Array  # (L, T') size of the strongest echo by a lobe, and its surface sample
    lobe_index: Array
    secondary: SecondaryLines | None
    scale: float  # from the tracer's units to full scale
    key: int
    ringing: Array | None = None  # (L, T') region of the grains that ring loudest, or -1
    fault_db: Array | None = None  # (L, T) what faults of the elements do to echoes, dB


@dataclass(frozen=True)
class TraceJob:
    """One view to trace, as plain parts of a scene (all hashable)."""

    solids: tuple
    materials: tuple[tuple[str, Material], ...]
    background: str
    coupling: str
    probe: Probe
    pose: Pose
    scan: ScanSettings
    switches: Switches
    steer_rad: float
    key: int
    elements: tuple[float, ...] = ()  # strength of each element; none: a sound probe
    face_pieces: tuple[FacePiece, ...] = ()
    aberration: Aberration | None = None
    lobes: bool = True
    clutter: bool = True


def far_distances(job: TraceJob, phantom: PackedPhantom, plan: ScanPlan) -> tuple[float, float, float]:
    """How far the tracer must look: mm along direct lines, mm for points, and µs that are listened to."""
    scan = job.scan
    c = scan.assumed_speed_mm_per_us
    end_us = 2 * scan.depth_mm / c
    deepest = d.deepest_mm(plan, scan, phantom, refraction=job.switches.refraction, end_us=end_us)
    far = min(max(deepest, scan.depth_mm), scan.depth_mm * FASTEST) + MARGIN_MM
    interval = pulse_interval_us(scan)
    pulse = d.make_pulse(job.probe, scan)
    path = interval * c / 2
    loss, slope = 2 * path * phantom.media[0, 2], 2 * path * phantom.media[0, 3]
    level_db = 20 * math.log10(max(bands.band_level(loss, slope, pulse.sigma_mhz, scan.frequency_mhz), 1e-30))
    listen = max(end_us, min(interval, end_us))
    points = far
    if BRIGHTEST_DB + level_db > LATE_FLOOR_DB and interval < LONGEST_WAIT * end_us:
        listen = interval + end_us
    if REFERENCE_LEVEL_DB + level_db > LATE_SPECKLE_FLOOR_DB and listen > end_us and job.switches.secondary:
        points = listen * c / 2
    return far, points, listen


def trace_echoes(job: TraceJob, phantom: PackedPhantom, points: Scatterers, view: d.View) -> ViewEchoes:
    """All echo lines of a view."""
    plan, end_us = view.plan, float(view.plan.time_us[-1])
    _, _, listen_us = far_distances(job, phantom, plan)
    samples = d.view_samples(view, phantom, job.key)
    if job.lobes:
        samples = lb.mark_targets(samples, phantom)
    traced = d.trace_view(view, phantom, samples, end_us=end_us + 2.0)
    traced = with_uneven_loss(view, phantom, dict(job.materials), traced, job.key)
    fine, best, index = d.gather_points(view, traced, points, view.elevation.speckle)
    other = np.zeros((3, *traced.surface_fine.shape), np.float32)
    lobe_best, lobe_index = np.zeros_like(best), np.full_like(index, -1)
    if job.lobes:
        lobes, lobe_best, lobe_index = lb.lobe_lines(view, traced)
        fine[:, 0] += lobes[:, lb.OWN]
        fine[:, DIRECT_CLASSES.index("side_lobe")] += lobes[:, lb.SIDE]
        other[0] = lobes[:, lb.GRATING]
    fine[:, 0] += traced.surface_fine
    if job.clutter:
        other[1] = clutter_lines(view, traced, points, job.scan.clutter_db)
    other[2], ringing = ring_down_lines(view, phantom, traced, points, job.solids)
    groups = [d.shape(view, np.ascontiguousarray(fine[:, k])) for k in range(len(DIRECT_CLASSES))]
    groups += [d.shape(view, rows) for rows in other]
    flat_db, scale = flat_field(job, plan)
    groups.append(main_bang(job, view, phantom, flat_db) / np.float32(scale))
    fault_db = element_fault_db(job, plan)
    secondary = None
    if job.switches.secondary:
        secondary = trace_secondary(
            view, phantom, points, samples, job.probe, end_us=end_us + 2.0, listen_us=listen_us
        )
        factor = secondary_factor(job, plan, fault_db)
        for k in range(br.N_SECONDARY):
            groups.append(d.shape(view, np.ascontiguousarray(secondary.fine[:, k])) * factor)
    else:
        groups += [np.zeros_like(groups[0])] * br.N_SECONDARY
    groups += [np.zeros_like(groups[0])] * len(RECEIVED_CLASSES)
    return ViewEchoes(
        iq=np.stack(groups) * np.float32(scale), class_names=CLASS_NAMES, plan=plan, flat_field_db=flat_db,
        view=view, phantom=phantom, points=points, traced=traced, best=best, best_index=index,
        lobe_best=lobe_best, lobe_index=lobe_index, secondary=secondary, scale=scale, key=job.key, ringing=ringing,
        fault_db=fault_db,
    )  # fmt: skip


def flat_field(job: TraceJob, plan: ScanPlan) -> tuple[Array, float]:
    """The factory curve of a view (dB, by sample) and the scale from the tracer's units to full scale.

    Traced on the middle line of the whole array in the reference tissue with the settings in force, real bandwidth
    included: with the matched slope the reference tissue then lies at -38 dB at every depth.
    """
    phantom = reference_phantom(
        frequency_mhz=job.scan.frequency_mhz, assumed_speed_mm_per_us=job.scan.assumed_speed_mm_per_us
    )
    whole = scan_plan(job.probe, whole_view(job.probe, job.scan), steer_rad=job.steer_rad)
    alone = some_lines(whole, slice(whole.n_lines // 2, whole.n_lines // 2 + 1))
    far = job.scan.depth_mm * 1.05 + MARGIN_MM
    view = d.make_view(job.probe, job.scan, alone, phantom, far_mm=far, refraction=True)
    traced = d.trace_view(view, phantom, np.zeros((0, N_SAMPLE)), end_us=float(plan.time_us[-1]) + 2.0)
    time, power = d.speckle_power(view, traced.nodes[0], int(traced.n_nodes[0]))
    depth_cm = 0.05 * job.scan.assumed_speed_mm_per_us * plan.time_us
    slope_db = 2 * REFERENCE_SLOPE_DB_CM_MHZ * job.scan.frequency_mhz * depth_cm
    level_db = np.interp(plan.time_us, time, 10 * np.log10(power)) + slope_db
    wanted = REFERENCE_LEVEL_DB - level_db
    if job.scan.harmonic:
        # Near the face there is no harmonic yet, and a curve that made up for it would show noise there
        near = 0.5 * job.scan.assumed_speed_mm_per_us * plan.time_us < HARMONIC_NEAR * job.scan.focus_mm[0]
        wanted[near] = wanted[min(int(near.sum()), len(wanted) - 1)]
    scale_db = float(wanted.min())
    return wanted - scale_db, 10 ** (scale_db / 20)


def start_view(job: TraceJob) -> tuple[PackedPhantom, d.View]:
    """The packed phantom and the view of a job, before anything is drawn or traced."""
    phantom = pack_phantom(
        job.solids, dict(job.materials), job.background, job.coupling, job.pose,
        frequency_mhz=job.scan.frequency_mhz, assumed_speed_mm_per_us=job.scan.assumed_speed_mm_per_us,
        switches=job.switches,
    )  # fmt: skip
    plan = scan_plan(job.probe, job.scan, steer_rad=job.steer_rad)
    far, far_points, listen = far_distances(job, phantom, plan)
    view = d.make_view(
        job.probe, job.scan, plan, phantom, far_mm=far, points_mm=far_points,
        samples_mm=0.5 * listen * job.scan.assumed_speed_mm_per_us, refraction=job.switches.refraction,
        elements=job.elements,
        wall_us=wall_delays_us(job.probe, job.pose, job.aberration, job.key) if job.switches.refraction else (),
    )  # fmt: skip
    return phantom, view
