"""What makes pictures realistic, taken away piece by piece: the pieces, and how far a picture changes without each.

Used by ``python -m tests.study_mechanisms`` (which writes tables and pictures) and by the tests.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
from scipy.ndimage import binary_erosion

import renderer
from renderer.flow import echoes_of, points_of
from renderer.tissue.materials import Material
from renderer.tissue.presets import TEXTURE_PRESETS, TextureRecipe
from renderer.tissue.solids import Surface
from tests.study_tissue_statistics import OURS, our_patch
from tests.tissue_statistics import Statistics, statistics

Array = np.ndarray
SceneEdit = Callable[[renderer.Scene, "Reading"], renderer.Scene]

# The body that holds fluid in each scene; its edge is left out
FLUID = {"forearm": "ganglion", "belly": "sac", "bladder": "bladder", "block": "large cyst"}
EDGE_MM = 0.6
NOTICED = 0.1 * 255  # a pixel counts as changed from here on
MOST = 3.0  # of a term of the distance: one wild statistic must not drown the others
LEAST_SPREAD = (
    0.15  # half-width of a range re its middle that is granted at least: two or five patches are no sample
)
LONE_SPREAD = 0.5  # the same where there is one value only
OF_PATCHES = (
    "mean_grey", "local_contrast", "skewness", "lateral_mm", "axial_mm", "blocks_1_mm", "blocks_4_mm", "coarse_lateral",
    "coarse_axial", "darkest", "brightest",
)  # fmt: skip


@dataclass(frozen=True)
class Reading:
    """What is kept of a picture: grey (H, W), where it is in view, its patches, the grey of tissue and fluid."""

    image: Array
    in_view: Array
    patches: tuple[Statistics, ...]
    tissue_level_db: float
    tissue_grey: float
    fluid_grey: float


@dataclass(frozen=True)
class Mechanism:
    """One piece: how a scene is made to lack it, by an edit of the scene or by classes that are left out of the sum.

    ``extra``: it is off where nothing is said, and the edit switches it on.
    """

    name: str
    title: str
    how: str
    scenes: tuple[str, ...]
    edit: SceneEdit | None = None
    without: tuple[str, ...] = ()
    extra: bool = False
    cheap: bool = False  # an edit of the receiver alone
    one_seed: tuple[str, ...] = ()  # scenes that one seed must do for, since they are traced again each time


@dataclass(frozen=True)
class Target:
    """Range of a statistic over the patches of a real frame, as its middle and half-width."""

    middle: float
    half: float

    def term(self, value: float) -> float:
        """How far a value lies from the middle, in half-widths; ``MOST`` at most. Inside the range it is below 1."""
        return min(abs(value - self.middle) / self.half, MOST)


def values_of(found: Statistics) -> dict[str, float]:
    """The statistics of a patch that count in the distance, by name."""
    own = {field.name: getattr(found, field.name) for field in fields(found)}
    own["darkest"], _, own["brightest"] = found.grey_percentiles
    return {name: float(own[name]) for name in OF_PATCHES}


def target(values: Sequence[float]) -> Target | None:
    """Range of the values that exist; None without any."""
    there = [v for v in values if np.isfinite(v)]
    if not there:
        return None
    middle = 0.5 * (min(there) + max(there))
    least = (LEAST_SPREAD if len(there) > 1 else LONE_SPREAD) * abs(middle)
    return Target(middle, max(0.5 * (max(there) - min(there)), least))


def targets(patches: Sequence[Statistics], fluid_over_tissue: float | None) -> dict[str, Target]:
    """Ranges of a real frame by name; ``fluid`` among them where the frame shows any."""
    rows = [values_of(p) for p in patches]
    found = {name: target([row[name] for row in rows]) for name in OF_PATCHES}
    if fluid_over_tissue is not None:
        found["fluid"] = target([fluid_over_tissue])
    return {name: t for name, t in found.items() if t is not None}


def distance(reading: Reading, wanted: Mapping[str, Target]) -> float:
    """Root mean square, over the statistics, of the mean term of a picture's patches.

    A statistic that a patch is too small for is left out of that patch.
    """
    rows = [values_of(p) for p in reading.patches]
    terms = []
    for name, t in wanted.items():
        values = (
            [reading.fluid_grey / reading.tissue_grey] if name == "fluid" else [row[name] for row in rows]
        )
        there = [t.term(v) for v in values if np.isfinite(v)]
        if there:
            terms.append(float(np.mean(there)))
    return float(np.sqrt(np.mean(np.square(terms))))


def changed_percent(first: Reading, second: Reading) -> float:
    """Share of the pixels in view whose grey differs by more than a tenth of full."""
    away = np.abs(first.image.astype(float) - second.image.astype(float)) > NOTICED
    return float(100 * away[first.in_view].mean())


def read(frame: renderer.Frame, name: str, pixel_mm: float) -> Reading:
    """The reading of a picture of a shipped scene, its patches at another pixel size."""
    places = OURS[name][0] if name in OURS else ()
    greys = [our_patch(frame, place, pixel_mm) for place in places]
    levels = [float(np.median(part(frame, frame.level_db, place))) for place in places]
    medians = [float(np.median(part(frame, frame.image, place))) for place in places]
    legend = {region.name: number for number, region in frame.truth.legend.items()}
    pixel = float(frame.x_mm[1] - frame.x_mm[0])
    body = binary_erosion(frame.truth.there == legend[FLUID[name]], iterations=round(EDGE_MM / pixel))
    return Reading(
        image=frame.image, in_view=frame.in_view, patches=tuple(statistics(grey, pixel_mm) for grey in greys),
        tissue_level_db=float(np.mean(levels)) if levels else math.nan,
        tissue_grey=float(np.mean(medians)) if medians else math.nan,
        fluid_grey=float(frame.image[body & frame.in_view].mean()),
    )  # fmt: skip


def part(frame: renderer.Frame, layer: Array, place: tuple[float, ...]) -> Array:
    """The patch of a layer of a picture (H, W) at its own pixel."""
    left, right, top, bottom = place
    columns = (frame.x_mm > left) & (frame.x_mm < right)
    rows = (frame.z_mm > top) & (frame.z_mm < bottom)
    return layer[np.ix_(rows, columns)]


def with_recipes(scene: renderer.Scene, edit: Callable[[TextureRecipe], TextureRecipe]) -> renderer.Scene:
    """A scene whose tissues all have an edited texture, those of the shipped table and of presets included."""

    def edited(m: Material) -> Material:
        recipe = TEXTURE_PRESETS[m.texture] if isinstance(m.texture, str) else m.texture
        return m if recipe is None else replace(m, texture=edit(recipe))

    materials = {name: edited(m) for name, m in scene.phantom.materials.items()}
    return replace(scene, phantom=replace(scene.phantom, materials=materials))


def with_smooth_surfaces(scene: renderer.Scene) -> renderer.Scene:
    """A scene whose solids have no ``surface``: neither roughness nor waves. Outlines keep their own waves."""
    solids = tuple(replace(solid, surface=Surface()) for solid in scene.phantom.solids)
    return replace(scene, phantom=replace(scene.phantom, solids=solids))


def setting(path: str, value: object) -> SceneEdit:
    """An edit that changes one setting."""
    return lambda scene, _: scene.with_settings({path: value})


def linear_at_equal_grey(scene: renderer.Scene, first: Reading) -> renderer.Scene:
    """The straight map, with the gain that leaves the tissue as grey as it was."""
    dynamic = scene.receive.dynamic_range_db
    wanted_db = dynamic * (first.tissue_grey / 255 - 1)
    gain = scene.receive.gain_db + wanted_db - first.tissue_level_db
    return scene.with_settings({"machine.grey_map": "linear", "machine.gain_db": round(gain, 2)})


BODIES = ("forearm", "belly")
MECHANISMS = (
    Mechanism("texture", "texture of tissue, all of it", "`physics.texture: false`", BODIES, setting("physics.texture", False),
              one_seed=("belly",)),
    Mechanism("octaves", "octaves of the level", "`texture.octaves` dropped in every tissue", BODIES,
              lambda scene, _: with_recipes(scene, lambda r: replace(r, octaves=())), one_seed=("belly",)),
    Mechanism("sheets", "septa, fibres and laminae", "`texture.sheets` dropped in every tissue", BODIES,
              lambda scene, _: with_recipes(scene, lambda r: replace(r, sheets=())), one_seed=("belly",)),
    Mechanism("vessels", "trees of vessels", "`texture.vessels` dropped in every tissue", ("belly",),
              lambda scene, _: with_recipes(scene, lambda r: replace(r, vessels=())), one_seed=("belly",)),
    Mechanism("loss", "uneven loss", "`texture.loss` dropped in every tissue", BODIES,
              lambda scene, _: with_recipes(scene, lambda r: replace(r, loss=None)), one_seed=("belly",)),
    Mechanism("wall-delays", "uneven delays of the body wall", "`phantom.aberration` dropped", ("belly",),
              setting("aberration", None), one_seed=("belly",)),
    Mechanism("surfaces", "rough and wavy surfaces", "`surface` dropped from every solid", BODIES,
              lambda scene, _: with_smooth_surfaces(scene), one_seed=("belly",)),
    Mechanism("map", "the soft grey map", "`machine.grey_map: linear`", BODIES, setting("machine.grey_map", "linear"),
              cheap=True),
    Mechanism("map-equal", "the soft grey map, tissue kept as grey", "`machine.grey_map: linear`, gain lowered to suit", BODIES,
              linear_at_equal_grey, cheap=True),
    Mechanism("haze", "haze of multiple scattering", "`--without clutter`, as `physics.clutter: false`", (*BODIES, "bladder"),
              without=("clutter",)),
    Mechanism("main-bang", "ring of the pulse at the face", "`--without main_bang`, as `probe.main_bang_db: none`", BODIES,
              without=("main_bang",)),
    Mechanism("secondary", "paths with more than one reflection", "`--without` their classes, as `physics.secondary: false`",
              ("belly", "forearm", "bladder"), without=("reverberation", "mirror", "multipath", "range_ambiguity")),
    Mechanism("slice", "thickness of the slice", "`--without slice_thickness`: what lies beside the picture plane, and differs",
              ("bladder", *BODIES), without=("slice_thickness",)),
    Mechanism("lobes", "side and grating lobes of wires", "`physics.lobes: false`", ("block",), setting("physics.lobes", False)),
    Mechanism("noise", "noise of the receiver", "`machine.noise_db: -200`", ("belly", "forearm"), setting("machine.noise_db", -200),
              cheap=True),
    Mechanism("compound", "averaged views", "`machine.compound_deg: [-8, 0, 8]`, off where nothing is said", ("forearm",),
              setting("machine.compound_deg", [-8, 0, 8]), extra=True,
              one_seed=("forearm",)),
)  # fmt: skip

# Fewer lines than their own where a picture takes long
LINES = {"belly": 128, "bladder": 128}
SEEDS = {"forearm": (None, 101, 102), "belly": (None, 101, 102), "bladder": (None,), "block": (None,)}


@dataclass(frozen=True)
class Comparison:
    """A picture with and without a mechanism, from the same seed."""

    mechanism: Mechanism
    scene: str
    seed: int | None
    having: Reading
    lacking: Reading


def studied_scene(name: str, settings: Mapping[str, object] | None = None) -> renderer.Scene:
    """A shipped scene as the study renders it."""
    own = {"machine.lines": LINES[name]} if name in LINES else {}
    return renderer.read_scene(name).with_settings(own | dict(settings or {}))


def comparisons(
    name: str,
    mechanisms: Sequence[Mechanism],
    pixel_mm: float,
    *,
    seeds: Sequence[int | None] | None = None,
    settings: Mapping[str, object] | None = None,
) -> Iterator[Comparison]:
    """All mechanisms that a scene is a case of, seed by seed, what is cheap first while the traced lines are kept."""
    scene = studied_scene(name, settings)
    mine = sorted((m for m in mechanisms if name in m.scenes), key=lambda m: not (m.without or m.cheap))
    for number, seed in enumerate(SEEDS[name] if seeds is None else seeds):
        first = read(renderer.render(scene, seed=seed), name, pixel_mm)
        for m in mine:
            if number > 0 and name in m.one_seed:
                continue
            edited = scene if m.edit is None else m.edit(scene, first)
            other = read(renderer.render(edited, seed=seed, without=m.without), name, pixel_mm)
            having, lacking = (other, first) if m.extra else (first, other)
            yield Comparison(m, name, seed, having, lacking)
        echoes_of.cache_clear()
        points_of.cache_clear()
