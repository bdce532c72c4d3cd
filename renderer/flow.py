"""From a scene to a frame: the flow, stage by stage.

Expensive stages keep their last results, so that a change of gain costs only the receive chain and
the scan conversion, and a change of focus does not draw the scatterers again. The results are the
same as without: every stage depends on its arguments alone.
"""

from __future__ import annotations

import threading
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np

from renderer.errors import SettingError
from renderer.frame.convert import ScanMap, picture_level, scan_map
from renderer.frame.frame import Frame
from renderer.frame.grid import PictureGrid, picture_grid, same_grid
from renderer.frame.manifest import make_manifest
from renderer.frame.truth import frame_truth
from renderer.probe.faults import element_strengths, line_gain_db
from renderer.probe.plan import scan_plan, view_angles
from renderer.receive.chain import NoiseDraw, lines_to_amplitude
from renderer.receive.gain import gain_curve_db
from renderer.receive.grey import displayed_floor_db, picture_grey
from renderer.receive.interference import crosstalk_lines, interference_lines
from renderer.receive.settings import ReceiveSettings
from renderer.scene.scene import Scene
from renderer.streams import Streams
from renderer.tissue.presets import TextureRecipe, texture_recipe
from renderer.tissue.scatterers import Scatterers
from renderer.tissue.solids import Grains, LabelImage, Solid
from renderer.tissue.texture import texture_table
from renderer.trace import direct
from renderer.trace.echoes import (
    CLASS_NAMES,
    TraceJob,
    ViewEchoes,
    start_view,
    trace_echoes,
)
from renderer.trace.phantom import PackedPhantom, Switches

# The harmonic that tissue makes is weaker than the pulse by so much (15 to 20 dB, common practice, no source); what
# is listened to is set to the same level, so the noise comes up
HARMONIC_DB = 15.0
# Two pictures at once would share the same cores and take twice the memory.
_ONE_AT_A_TIME = threading.RLock()


def render(scene: Scene, *, seed: int | None = None, without: Sequence[str] = ()) -> Frame:
    """One frame of a scene.

    Parameters
    ----------
    scene
        From ``read_scene`` or ``parse_scene``.
    seed
        Overrides both seeds of the scene.
    without
        Origin classes to leave out of the sum; the noise keeps its draw. Exact on ``lines``.

    Raises
    ------
    SettingError
        If ``without`` names a class that is not known.
    """
    return next(iter(_frames([scene], seed, without)))


def render_series(
    scene: Scene,
    changes: Iterable[Mapping[str, Any]],
    *,
    seed: int | None = None,
    without: Sequence[str] = (),
) -> list[Frame]:
    """Frames of a scene under a list of changes, one mapping of settings for each.

    Noise is new in every frame, tissue stays in its place; persistence runs from frame to frame.
    """
    return list(iterate_series(scene, changes, seed=seed, without=without))


def iterate_series(
    scene: Scene,
    changes: Iterable[Mapping[str, Any]],
    *,
    seed: int | None = None,
    without: Sequence[str] = (),
) -> Iterator[Frame]:
    """The frames of ``render_series`` one by one, so that a long series need not be held in memory.

    All changes are checked before the first frame is made.
    """
    return iter(_frames([scene.with_settings(change) for change in changes], seed, without))


def _frames(scenes: Sequence[Scene], seed: int | None, without: Sequence[str]) -> Iterable[Frame]:
    unknown = [name for name in without if name not in CLASS_NAMES]
    if unknown:
        raise SettingError(f"without: unknown class {unknown[0]!r}; there are: {', '.join(CLASS_NAMES)}")
    previous = None
    for number, scene in enumerate(scenes):
        with _ONE_AT_A_TIME:
            frame, previous = _frame(_seeded(scene, seed), number, tuple(without), previous)
        yield frame


def _seeded(scene: Scene, seed: int | None) -> Scene:
    return scene if seed is None else replace(scene, seed_tissue=seed, seed_noise=seed)


def _frame(
    scene: Scene, number: int, without: tuple[str, ...], previous: tuple[PictureGrid, np.ndarray] | None
) -> tuple[Frame, tuple[PictureGrid, np.ndarray]]:
    """A frame, and what persists to the next one: the levels shown, as long as the grid of the picture stays."""
    traced = [echoes_of(trace_job(scene, angle, number)) for angle in view_angles(scene.scan)]
    receive = receive_settings(scene)
    views = [with_received(v, scene, receive, number, place) for place, v in enumerate(traced)]
    grid, scan = picture_map(replace(scene.scan, focus_mm=(1.0,)), scene.probe)
    lines = np.stack([v.iq[[name not in without for name in v.class_names]].sum(0) for v in views])
    gain_db = np.stack([_gain_db(scene, v, receive) for v in views])
    noise = NoiseDraw(Streams(scene.seed_noise).key("electronic_noise"), number, _noise_sigma(views[0]))
    amplitude = lines_to_amplitude(
        lines, gain_db, receive, noise, line_gain_db=line_gain_db(scene.faults, lines.shape[1]),
        pixel_samples=scan.pixel_samples,
    )  # fmt: skip
    level_db = picture_level(amplitude, scan)
    lasting = previous[1] if previous is not None and same_grid(previous[0], grid) else None
    image, shown = picture_grey(level_db, receive, lasting)
    floor_db = displayed_floor_db(receive)
    truth, echoes, explainer = frame_truth(views, gain_db, receive, grid, scan, level_db, floor_db, without)
    plan = views[0].plan
    frame = Frame(
        image=image, x_mm=grid.x_mm, z_mm=grid.z_mm, in_view=scan.in_view, level_db=level_db, lines=lines[0],
        views=lines, time_us=plan.time_us, line_origin_mm=plan.line_origin_mm, line_direction=plan.line_direction,
        truth=truth, echo_maker=echoes, manifest=make_manifest(scene, number, without, plan), explainer=explainer,
    )  # fmt: skip
    return frame, (grid, shown)


def receive_settings(scene: Scene) -> ReceiveSettings:
    """The settings of the receiver as its faults, and the weakness of a harmonic, leave them."""
    receive, faults = scene.receive, scene.faults
    tgc_db = list(receive.tgc_db)
    if faults.stuck_slider is not None:
        slider, gain_db = faults.stuck_slider
        tgc_db[slider - 1] = gain_db
    noise_db = receive.noise_db + (HARMONIC_DB if scene.scan.harmonic else 0.0)
    output_db = receive.output_db + faults.sensitivity_db
    return replace(receive, tgc_db=tuple(tgc_db), noise_db=noise_db, output_db=output_db)


def with_received(
    view: ViewEchoes, scene: Scene, receive: ReceiveSettings, number: int, place: int
) -> ViewEchoes:
    """A view with what the receiver hears beside echoes: a source outside, and leaking between neighbours.

    ``number`` and ``place``: of the frame in its series and of the view in its frame, which tell when it is taken.
    """
    source, leak = scene.faults.interference, scene.faults.crosstalk
    if source is None and leak is None:
        return view
    iq, plan = view.iq.copy(), view.plan
    n_lines, n_views = plan.n_lines, len(view_angles(scene.scan))
    if source is not None:
        start_us = (((number * n_views + place) * n_lines) + np.arange(n_lines)) * plan.pulse_interval_us
        heard = interference_lines(
            plan.time_us, start_us, frequency_mhz=source.frequency_mhz, level_db=source.level_db,
            burst_us=source.burst_us, every_us=source.every_us, centre_mhz=scene.scan.frequency_mhz,
            sigma_mhz=view.view.pulse.sigma_mhz,
        )  # fmt: skip
        # The receiver's output scales echoes; a source outside does not know of it
        iq[CLASS_NAMES.index("interference")] = heard * 10 ** (-receive.output_db / 20)
    if leak is not None:
        gap_mm = float(np.mean(np.diff(plan.face_mm))) or scene.probe.pitch_mm
        iq[CLASS_NAMES.index("crosstalk")] = crosstalk_lines(
            view.iq.sum(0) - view.iq[CLASS_NAMES.index("main_bang")], gap_mm, plan.sample_us, level_db=leak.level_db, reach_mm=leak.reach_mm,
            speed_mm_per_us=leak.speed_mm_per_us, centre_mhz=scene.scan.frequency_mhz,
        )  # fmt: skip
    return replace(view, iq=iq)


def _gain_db(scene: Scene, view: ViewEchoes, receive: ReceiveSettings | None = None) -> np.ndarray:
    """Gain along the lines of a view."""
    depth_mm = 0.5 * scene.scan.assumed_speed_mm_per_us * view.plan.time_us
    return np.asarray(
        gain_curve_db(
            depth_mm,
            receive or receive_settings(scene),
            frequency_mhz=scene.scan.frequency_mhz,
            full_depth_mm=scene.scan.depth_mm,
            flat_field_db=view.flat_field_db,
        )  # fmt: skip
    )


def _noise_sigma(view: ViewEchoes) -> float:
    """Length of the receive filter's response in samples: white noise is heard through the pulse's band."""
    return view.view.pulse.sigma_us / view.plan.sample_us / np.sqrt(2.0)


def trace_job(scene: Scene, steer_rad: float, number: int = 0) -> TraceJob:
    """The part of a scene that the tracer depends on, for one view; ``number``: of the frame, for a loose cable."""
    phantom, physics = scene.phantom, scene.physics
    elements = element_strengths(
        scene.probe, scene.faults, number, Streams(scene.seed_noise).key("machine_faults")
    )
    used = {phantom.background, phantom.coupling, "water"}
    for solid in phantom.solids:
        used |= {t for t in (solid.tissue, solid.wall_tissue, solid.behind) if t is not None}
        used |= (
            {tissue for _, tissue in solid.shape.tissues} if isinstance(solid.shape, LabelImage) else set()
        )
    materials = {name: phantom.materials[name] for name in sorted(used) if name in phantom.materials}
    if not physics.texture:
        materials = {name: replace(m, texture=None) for name, m in materials.items()}
    return TraceJob(
        solids=_with_keys(phantom.solids, Streams(scene.seed_tissue)), materials=tuple(materials.items()), background=phantom.background,
        coupling=phantom.coupling, probe=scene.probe, pose=scene.pose, scan=replace(scene.scan, pixel_mm=None),
        switches=Switches(physics.refraction, physics.speed, physics.attenuation, physics.secondary),
        steer_rad=steer_rad, key=Streams(scene.seed_tissue).key("scatterers"), elements=elements,
        face_pieces=scene.faults.face, aberration=phantom.aberration, lobes=physics.lobes, clutter=physics.clutter,
    )  # fmt: skip


def _with_keys(solids: tuple[Solid, ...], streams: Streams) -> tuple[Solid, ...]:
    """The solids, with the places of their grains bound to the seed of the tissue."""
    key = streams.key("grains")
    return tuple(
        replace(solid, shape=replace(solid.shape, key=(key + i) % 2**64))
        if isinstance(solid.shape, Grains)
        else solid
        for i, solid in enumerate(solids)
    )


@lru_cache(maxsize=8)
def echoes_of(job: TraceJob) -> ViewEchoes:
    """Traced echoes of one view."""
    phantom, view = start_view(job)
    # What the scatterers do not depend on is levelled, so that a change of it finds them again
    scan = replace(
        job.scan, focus_mm=(1.0,), transmit_f_number=1.0, apodisation="none", harmonic=False, clutter_db=0.0
    )
    bare = replace(job, scan=scan, elements=(), face_pieces=(), aberration=None, lobes=False, clutter=False)
    return trace_echoes(job, phantom, points_of(bare), view)


@lru_cache(maxsize=3)
def points_of(job: TraceJob) -> Scatterers:
    """Scatterers that one view sees."""
    phantom, view = start_view(job)
    return direct.draw_points(view, phantom, *_textures(job, phantom, view), job.key)


def _textures(job: TraceJob, phantom: PackedPhantom, view: direct.View) -> tuple[np.ndarray, np.ndarray]:
    """Textures of the tissues in a view, as rows, and which of them each region has, or -1."""
    recipes: dict[str, TextureRecipe] = {}
    for name, m in job.materials:
        recipe = texture_recipe(m.texture)
        if recipe is not None:
            recipes[name] = recipe
    place = {name: x for x, name in enumerate(recipes)}
    c = job.scan.assumed_speed_mm_per_us
    table = texture_table(
        tuple(recipes.values()),
        wavelength_mm=c / view.pulse.frequency_mhz,
        axial_mm=0.5 * c * view.pulse.sigma_us * np.sqrt(2 * np.pi),
    )
    of = [place.get(region.tissue, -1) for region in phantom.painted.regions]
    return table, np.array(of, np.int64)


@lru_cache(maxsize=12)
def picture_map(scan: Any, probe: Any) -> tuple[PictureGrid, ScanMap]:
    """The picture grid of the settings, and where its pixels lie on the lines of every view."""
    plans = [scan_plan(probe, scan, steer_rad=angle) for angle in view_angles(scan)]
    first = plans[0]
    grid = picture_grid(first.line_origin_mm, first.line_direction, scan.depth_mm, scan.pixel_mm)
    return grid, scan_map(
        grid, np.stack([p.line_origin_mm for p in plans]), np.stack([p.line_direction for p in plans]),
        first.time_us, scan.assumed_speed_mm_per_us,
    )  # fmt: skip
