"""From described solids to painted primitives: the numbers that the tracer works on."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.spatial.transform import Rotation

from renderer.tissue import geometry, outlines
from renderer.tissue.bounds import box_round
from renderer.tissue.grains import grain_places
from renderer.tissue.label_arcs import label_outlines
from renderer.tissue.materials import Material
from renderer.tissue.solids import (
    Bead,
    Box,
    Cap,
    Chain,
    Closed,
    Ellipsoid,
    Grains,
    LabelImage,
    Needle,
    Prism,
    Sheet,
    Slab,
    Solid,
    Surface,
    Tube,
    Wire,
)

UNBOUNDED_MM = 1e9
DEEP_MM = 2000.0  # "bottomless" for outlines
LUMEN_FRACTION = 0.65  # inner by outer diameter of a hollow needle; common practice, no source

Array = np.ndarray


@dataclass(frozen=True)
class Region:
    """What one region id means."""

    name: str
    tissue: str


@dataclass(frozen=True)
class PaintedSolids:
    """Primitives in paint order in one frame, and the regions that they paint.

    Axes: ``S`` primitives, ``V`` outline points, ``G`` regions. The background is region 0 and no
    primitive. Thin wires and small beads are not traced: they are point reflectors.
    """

    kinds: Array  # (S,) int64
    rows: Array  # (S, 24) float64
    outline: Array  # (V, N_OUTLINE) float64
    outline_span: Array  # (S, 2) int64
    region: Array  # (S,) int64
    traced: Array  # (S,) bool
    owner: Array  # (S,) int64, index of the described solid, -1 for the coupling
    roughness_mm: Array  # (S,)
    wave_mm: Array  # (S, 2) amplitude and length
    regions: tuple[Region, ...]  # (G,)
    everywhere: Array  # (S,) bool: unchanged along y, so no elevation rays are needed


WIDE_MM = 15.0  # solids that reach this far on both sides of the picture plane have no ends in the beam


def _unchanged_along_y(kinds: Array, rows: Array) -> Array:
    """Which primitives look the same all through the beam's thickness, (S,) bool."""
    y_axis, z_axis, y0 = np.abs(rows[:, 4]), np.abs(rows[:, 7]), rows[:, 10]
    upright = y_axis > 1 - 1e-9
    box = upright & (rows[:, 13] - np.abs(y0) > WIDE_MM)
    prism = upright & (np.minimum(-(rows[:, 12] + y0), rows[:, 13] + y0) > WIDE_MM)
    far_end = y0 + np.sign(rows[:, 7]) * rows[:, 13]
    tube = (z_axis > 1 - 1e-9) & (np.minimum(np.abs(y0), np.abs(far_end)) > WIDE_MM) & (y0 * far_end < 0)
    far_sphere = y0 + np.sign(rows[:, 7]) * rows[:, 15]
    even = (
        (z_axis > 1 - 1e-9)
        & (rows[:, 12] == rows[:, 14])
        & (np.minimum(np.abs(y0), np.abs(far_sphere)) > WIDE_MM)
        & (y0 * far_sphere < 0)
    )
    slab = np.abs(rows[:, 7]) < 1e-9
    return np.select(
        [
            kinds == k
            for k in (geometry.SLAB, geometry.BOX, geometry.PRISM, geometry.CYLINDER, geometry.ROUND)
        ],
        [slab, box, prism, tube, even],
        default=False,
    )


@dataclass
class _Bench:
    """Rows that are being collected."""

    rotation: Array  # world to frame
    shift_mm: Array
    kinds: list[int]
    rows: list[Array]
    spans: list[tuple[int, int]]
    outlines: list[Array]
    regions: list[int]
    traced: list[bool]
    owners: list[int]
    surfaces: list[Surface]
    n_outline: int = 0

    def add(
        self,
        kind: int,
        region: int,
        *,
        axes: Array,
        origin: Array,
        shape: Sequence[float],
        radius_mm: float,
        owner: int,
        surface: Surface,
        outline: Array | None = None,
        traced: bool = True,
        middle: Array | None = None,
    ) -> None:
        """One primitive; ``axes`` has its own axes as rows, in the world frame."""
        row = np.zeros(geometry.N_PARAMETERS)
        place = self.rotation @ (origin - self.shift_mm)
        row[0:9] = (axes @ self.rotation.T).ravel()
        row[9:12] = place
        row[12 : 12 + len(shape)] = shape
        row[20:23] = place if middle is None else self.rotation @ (middle - self.shift_mm)
        row[23] = radius_mm
        low, high = box_round(kind, row)
        row[24:30:2], row[25:30:2] = low, high
        count = 0 if outline is None else len(outline)
        self.spans.append((self.n_outline, count))
        if outline is not None:
            self.outlines.append(outlines.with_bounds(outline))
            self.n_outline += count
        self.kinds.append(kind)
        self.rows.append(row)
        self.regions.append(region)
        self.traced.append(traced)
        self.owners.append(owner)
        self.surfaces.append(surface)


def paint(
    solids: Sequence[Solid],
    background: str,
    coupling: str,
    *,
    rotation: Array,
    shift_mm: Array,
    reflector_limit_mm: float,
) -> PaintedSolids:
    """Primitives in the frame ``p' = rotation @ (p - shift)``.

    Parameters
    ----------
    solids : described solids in file order
    background, coupling : tissue names; the coupling fills z < 0 of the world
    rotation, shift_mm : (3, 3) and (3,), world to frame
    reflector_limit_mm : wires and beads thinner than this are point reflectors, not obstacles
    """
    regions = [Region("background", background)]
    bench = _Bench(rotation, np.asarray(shift_mm, float), [], [], [], [], [], [], [], [])
    up = np.diag([1.0, 1.0, -1.0])
    bench.add(
        geometry.SLAB, 0, axes=up, origin=np.zeros(3), shape=[UNBOUNDED_MM], radius_mm=UNBOUNDED_MM,
        owner=-1, surface=Surface(),
    )  # fmt: skip
    for index, solid in enumerate(solids):
        _add_solid(bench, regions, solid, index, reflector_limit_mm)
    bench.regions[0] = len(regions)
    regions.append(Region("coupling", coupling))
    rows = np.array(bench.rows)
    kinds = np.array(bench.kinds, np.int64)
    return PaintedSolids(
        kinds=kinds,
        rows=rows,
        outline=np.concatenate(bench.outlines) if bench.outlines else np.zeros((1, outlines.N_OUTLINE)),
        outline_span=np.array(bench.spans, np.int64),
        region=np.array(bench.regions, np.int64),
        traced=np.array(bench.traced),
        owner=np.array(bench.owners, np.int64),
        roughness_mm=np.array([s.roughness_um * 1e-3 for s in bench.surfaces]),
        wave_mm=np.array([[s.wave_mm, s.wave_length_mm] for s in bench.surfaces]),
        regions=tuple(regions),
        everywhere=_unchanged_along_y(kinds, rows),
    )


def _frame_along(axis: Array) -> Array:
    """Rows of a right-handed frame whose third axis is given."""
    w = axis / np.linalg.norm(axis)
    helper = np.array([0.0, 1.0, 0.0]) if abs(w[1]) < 0.9 else np.array([1.0, 0.0, 0.0])
    u = np.cross(helper, w)
    u /= np.linalg.norm(u)
    return np.array([u, np.cross(w, u), w])


def solid_rotation(rotate_rad: Sequence[float]) -> Array:
    """Rotation about x, then y, then z. About y, positive lowers the right side, as tilt and rock do."""
    rx, ry, rz = rotate_rad
    return np.asarray(Rotation.from_euler("xyz", [rx, -ry, rz]).as_matrix())


def smooth_outline(points: Array, *, closed: bool, step_mm: float = 0.4) -> Array:
    """Points along a smooth curve through the given ones, (n, 2) to (m, 2).

    Cubic spline over the chord length; the sag between points stays below step^2 / (8 R).
    """
    if len(points) < 3:
        return points
    if closed:
        points = np.vstack([points, points[:1]])
    chord = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    spline = CubicSpline(chord, points, bc_type="periodic" if closed else "natural")
    n = int(np.clip(chord[-1] / step_mm, 4 * len(points), 600))
    places = np.linspace(0.0, chord[-1], n + 1)
    return np.asarray(spline(places[:-1] if closed else places))


def _closed(points: Array, *, smooth: bool) -> Array:
    """Outline rows (V, 5), running so that the outside lies towards -z on the upper side."""
    area = np.sum(points[:, 0] * np.roll(points[:, 1], -1) - np.roll(points[:, 0], -1) * points[:, 1])
    if area < 0:
        points = points[::-1]
    if smooth:
        return outlines.outline_normals(points)
    return np.column_stack([points, np.zeros((len(points), 3))])


def _offset_curve(curve: Array, distance_mm: float) -> Array:
    """The curve moved to its right-hand side by a distance (towards +z where it runs to +x)."""
    tangent = np.gradient(curve, axis=0)
    tangent /= np.hypot(*tangent.T)[:, None]
    return curve + distance_mm * np.column_stack([-tangent[:, 1], tangent[:, 0]])


def _add_outline(
    bench: _Bench, region: int, points: Array, y_mm: tuple[float, float], *, smooth: bool, turn: Array,
    about: Array, owner: int, surface: Surface,
) -> None:  # fmt: skip
    outline = _closed(points - about[[0, 2]], smooth=smooth)
    _add_prism(
        bench, region, outline, y_mm, smooth=smooth, turn=turn, about=about, owner=owner, surface=surface
    )


def _add_prism(
    bench: _Bench, region: int, outline: Array, y_mm: tuple[float, float], *, smooth: bool, turn: Array,
    about: Array, owner: int, surface: Surface,
) -> None:  # fmt: skip
    """A prism over an outline (V, 5) that is told from its own centre."""
    local = outline[:, :2]
    half = np.nanmax(np.abs(local), axis=0) * (1 + 1e-12) + 1e-9
    y0, y1 = y_mm[0] - about[1], y_mm[1] - about[1]
    low, high = np.nanmin(local, axis=0), np.nanmax(local, axis=0)
    corner = np.array([low[0], y0, low[1]]), np.array([high[0], y1, high[1]])
    middle = 0.5 * (corner[0] + corner[1])
    bench.add(
        geometry.PRISM, region, axes=turn.T, origin=about, shape=[y0, y1, half[0], half[1], float(smooth)],
        radius_mm=float(np.linalg.norm(corner[1] - middle)) + 1e-6, outline=outline, owner=owner,
        surface=surface, middle=about + turn @ middle,
    )  # fmt: skip


def _add_solid(
    bench: _Bench, regions: list[Region], solid: Solid, owner: int, reflector_limit_mm: float
) -> None:
    """The primitives of one solid; its wall is painted first and its lumen over it."""
    shape, surface = solid.shape, solid.surface
    if isinstance(shape, LabelImage):
        _add_labels(bench, regions, shape, solid, owner)
        return
    region = len(regions)
    regions.append(Region(solid.name, solid.tissue))
    wall_region = -1
    hollow = isinstance(shape, Needle) and shape.hollow
    if solid.wall_tissue is not None or hollow:
        wall_region = len(regions)
        regions.append(Region(f"{solid.name}.wall", solid.wall_tissue or solid.tissue))
        if hollow:
            regions[region] = Region(solid.name, "water")
    turn = solid_rotation(solid.rotate_rad)

    def add(kind: int, region: int, **row: object) -> None:
        bench.add(kind, region, owner=owner, surface=surface, **row)  # type: ignore[arg-type]

    if isinstance(shape, Slab):
        tilt = Rotation.from_euler("y", -shape.tilt_rad).as_matrix()
        axes = (turn @ tilt).T
        origin = np.array([0.0, 0.0, shape.top_mm])
        depth = shape.thickness_mm if math.isfinite(shape.thickness_mm) else UNBOUNDED_MM
        add(geometry.SLAB, region, axes=axes, origin=origin, shape=[depth], radius_mm=UNBOUNDED_MM)
    elif isinstance(shape, Box):
        half = np.array(shape.size_mm) / 2
        add(geometry.BOX, region, axes=turn.T, origin=np.array(shape.centre_mm), shape=list(half),
            radius_mm=float(np.linalg.norm(half)))  # fmt: skip
    elif isinstance(shape, Ellipsoid):
        centre, radii = np.array(shape.centre_mm), np.array(shape.radii_mm)
        if wall_region >= 0:
            add(geometry.ELLIPSOID, wall_region, axes=turn.T, origin=centre, shape=list(radii),
                radius_mm=float(radii.max()))  # fmt: skip
        inner = radii - solid.wall_mm
        add(geometry.ELLIPSOID, region, axes=turn.T, origin=centre, shape=list(inner),
            radius_mm=float(inner.max()))  # fmt: skip
    elif isinstance(shape, (Tube, Wire, Needle)):
        _add_cylinder(add, shape, solid, region, wall_region, turn, reflector_limit_mm)
    elif isinstance(shape, Chain):
        if wall_region >= 0:
            _add_chain(add, shape, 0.0, wall_region, turn)
        _add_chain(add, shape, solid.wall_mm, region, turn)
    elif isinstance(shape, Grains):
        _add_grains(bench, add, shape, region, turn, reflector_limit_mm)
    elif isinstance(shape, Bead):
        radius = shape.diameter_mm / 2
        add(geometry.ELLIPSOID, region, axes=np.eye(3), origin=np.array(shape.at_mm), shape=[radius] * 3,
            radius_mm=radius, traced=shape.diameter_mm >= reflector_limit_mm)  # fmt: skip
    elif isinstance(shape, Prism):
        points = np.array(shape.outline_mm, float)
        if shape.rounded:
            points = smooth_outline(points, closed=True)
        middle = 0.5 * (points.min(0) + points.max(0))
        about = np.array([middle[0], 0.5 * sum(shape.y_mm), middle[1]])
        _add_outline(bench, region, points, shape.y_mm, smooth=shape.rounded, turn=turn, about=about,
                     owner=owner, surface=surface)  # fmt: skip
    else:
        _add_sheet(bench, regions, shape, solid, region, owner, turn)


def _add_cylinder(
    add: Callable[..., None], shape: Tube | Wire | Needle, solid: Solid, region: int, wall_region: int, turn: Array,
    reflector_limit_mm: float,
) -> None:  # fmt: skip
    """A tube, wire or needle: a capped cylinder, with its wall painted first."""
    cut: tuple[float, ...] = ()
    if isinstance(shape, Needle):
        tip = np.array(shape.tip_mm)
        away = np.array([
            -math.cos(shape.angle_rad) * math.cos(shape.out_of_plane_rad),
            -math.cos(shape.angle_rad) * math.sin(shape.out_of_plane_rad),
            -math.sin(shape.angle_rad),
        ])  # fmt: skip
        start, end = tip + away * shape.length_mm, tip
        radius, inner = shape.diameter_mm / 2, shape.diameter_mm / 2 * LUMEN_FRACTION
        if shape.bevel_rad > 0.0:
            slope = math.tan(shape.bevel_rad)
            cut = (slope, slope * radius)
    else:
        start, end = np.array(shape.from_mm, float), np.array(shape.to_mm, float)
        radius = shape.radius_mm if isinstance(shape, Tube) else shape.diameter_mm / 2
        inner = radius - solid.wall_mm
    middle = 0.5 * (start + end)
    axes = _frame_along(turn @ (end - start))
    length = float(np.linalg.norm(end - start))
    origin = middle - axes[2] * length / 2
    bound = float(np.hypot(length / 2, radius))
    traced = not isinstance(shape, Wire) or 2 * radius >= reflector_limit_mm
    if cut:
        axes = _facing_up(axes, turn)
    if wall_region >= 0:
        add(geometry.CYLINDER, wall_region, axes=axes, origin=origin, shape=[radius, length, *cut],
            radius_mm=bound, middle=middle)  # fmt: skip
        radius = inner
    add(geometry.CYLINDER, region, axes=axes, origin=origin, shape=[radius, length, *cut], radius_mm=bound,
        middle=middle, traced=traced)  # fmt: skip


def _facing_up(axes: Array, turn: Array) -> Array:
    """The frame turned about its third axis so that the first points to the side of the probe.

    The side is told before the solid is turned; of an upright needle it is the right.
    """
    along = turn.T @ axes[2]
    up = np.array([0.0, 0.0, -1.0]) if abs(along[2]) < 1 - 1e-9 else np.array([1.0, 0.0, 0.0])
    u = up - (up @ along) * along
    u = turn @ (u / np.linalg.norm(u))
    return np.array([u, np.cross(axes[2], u), axes[2]])


def _add_chain(add: Callable[..., None], shape: Chain, inset_mm: float, region: int, turn: Array) -> None:
    """The pieces of a bent tube, each the hull of the spheres round its two ends."""
    points = np.array(shape.points_mm)
    middle = 0.5 * (points.min(0) + points.max(0))
    points = middle + (points - middle) @ turn.T
    for a, b, outer_a, outer_b in zip(points, points[1:], shape.radii_mm, shape.radii_mm[1:]):
        ra, rb, length = outer_a - inset_mm, outer_b - inset_mm, float(np.linalg.norm(b - a))
        sine = (ra - rb) / length
        add(geometry.ROUND, region, axes=_frame_along(b - a), origin=a, middle=0.5 * (a + b),
            shape=[ra, max(ra, rb), rb, length, sine, math.sqrt(1 - sine * sine)],
            radius_mm=length / 2 + max(ra, rb))  # fmt: skip


def _add_grains(
    bench: _Bench,
    add: Callable[..., None],
    shape: Grains,
    region: int,
    turn: Array,
    reflector_limit_mm: float,
) -> None:
    """The grains near the picture plane; those that lie farther off than any beam is thick are not heard."""
    middle, places = _middle(shape.region), _grain_centres(shape)
    places = middle + (places - middle) @ turn.T
    radius = shape.diameter_mm / 2
    off_plane = np.abs((places - bench.shift_mm) @ bench.rotation[1])
    for place in places[off_plane < WIDE_MM + radius]:
        add(geometry.ELLIPSOID, region, axes=np.eye(3), origin=place, shape=[radius] * 3, radius_mm=radius,
            traced=shape.diameter_mm >= reflector_limit_mm)  # fmt: skip


@lru_cache(maxsize=16)
def _grain_centres(shape: Grains) -> Array:
    """Centres of the grains of a shape that is not turned, (n, 3) in the world."""
    alone = _Bench(np.eye(3), np.zeros(3), [], [], [], [], [], [], [], [])
    _add_solid(alone, [], Solid("", shape.region, ""), 0, 0.0)
    outline = np.concatenate(alone.outlines) if alone.outlines else np.zeros((1, outlines.N_OUTLINE))
    return grain_places(
        np.array(alone.kinds, np.int64), np.array(alone.rows), outline, np.array(alone.spans, np.int64),
        count=shape.count, diameter_mm=shape.diameter_mm, key=shape.key,
    )  # fmt: skip


def _middle(shape: Closed) -> Array:
    """The own centre of a closed shape, which it is turned about."""
    if isinstance(shape, (Box, Ellipsoid)):
        return np.array(shape.centre_mm)
    if isinstance(shape, Tube):
        return np.asarray(0.5 * (np.array(shape.from_mm) + np.array(shape.to_mm)))
    points = np.array(shape.points_mm if isinstance(shape, Chain) else shape.outline_mm)
    middle = np.asarray(0.5 * (points.min(0) + points.max(0)))
    return middle if isinstance(shape, Chain) else np.array([middle[0], 0.5 * sum(shape.y_mm), middle[1]])


def _add_labels(bench: _Bench, regions: list[Region], shape: LabelImage, solid: Solid, owner: int) -> None:
    """One prism and one region a label, with the smooth borders of all labels in common."""
    turn = solid_rotation(solid.rotate_rad)
    rows = len(shape.pixels) // shape.columns
    half = 0.5 * shape.pixel_mm * np.array([shape.columns - 1, rows - 1])
    about = np.array([shape.origin_mm[0] + half[0], 0.5 * sum(shape.y_mm), shape.origin_mm[1] + half[1]])
    labels = tuple(label for label, _ in shape.tissues)
    rings = label_outlines(shape.pixels, shape.columns, labels)
    for (label, tissue), outline in zip(shape.tissues, rings):
        region = len(regions)
        regions.append(Region(f"{solid.name}.{label}", tissue))
        own = outline.copy()
        own[:, :2] = own[:, :2] * shape.pixel_mm - half
        own[:, 4] /= shape.pixel_mm
        _add_prism(bench, region, own, shape.y_mm, smooth=True, turn=turn, about=about, owner=owner,
                   surface=solid.surface)  # fmt: skip


def _add_sheet(
    bench: _Bench, regions: list[Region], shape: Sheet, solid: Solid, region: int, owner: int, turn: Array
) -> None:
    """A sheet, and under it the tissue of its far side (painted first, so that the sheet covers it)."""
    behind = -1
    if solid.behind is not None:
        behind = len(regions)
        regions.append(Region(f"{solid.name}.behind", solid.behind))
    surface = solid.surface
    if shape.cap is not None:
        _add_cap(bench, shape.cap, shape.thickness_mm, region, behind, owner, surface, turn)
        return
    curve = np.array(shape.curve_mm, float)
    if curve[0, 0] > curve[-1, 0]:
        curve = curve[::-1]
    if shape.rounded:
        curve = smooth_outline(curve, closed=False)
    back = _offset_curve(curve, shape.thickness_mm)
    outline = np.vstack([curve, back[::-1]])
    middle = 0.5 * (outline.min(0) + outline.max(0))
    about = np.array([middle[0], 0.5 * sum(shape.y_mm), middle[1]])
    if behind >= 0:
        half_way = _offset_curve(curve, 0.5 * shape.thickness_mm)
        under = np.vstack([half_way, [[half_way[-1, 0], DEEP_MM], [half_way[0, 0], DEEP_MM]]])
        _add_outline(bench, behind, under, shape.y_mm, smooth=False, turn=turn, about=about, owner=owner,
                     surface=surface)  # fmt: skip
    # The two ends are corners: doubled points keep the smooth normals of the faces
    _add_outline(bench, region, outline, shape.y_mm, smooth=shape.rounded, turn=turn, about=about, owner=owner,
                 surface=surface)  # fmt: skip


def _add_cap(
    bench: _Bench, cap: Cap, thickness_mm: float, region: int, behind: int, owner: int, surface: Surface,
    turn: Array,
) -> None:  # fmt: skip
    radius = abs(cap.radius_mm)
    dome = cap.radius_mm > 0
    origin = np.array(cap.centre_mm)
    if behind >= 0:
        bench.add(
            geometry.BELOW_CAP, behind, axes=turn.T, origin=origin,
            shape=[radius - 0.5 * thickness_mm if dome else radius + 0.5 * thickness_mm,
                   radius * math.sin(cap.half_angle_rad), -1.0 if dome else 1.0],
            radius_mm=UNBOUNDED_MM, owner=owner, surface=surface,
        )  # fmt: skip
    inner, outer = (radius - thickness_mm, radius) if dome else (radius, radius + thickness_mm)
    pole_up = np.eye(3) if dome else np.diag([1.0, -1.0, -1.0])
    bench.add(
        geometry.CAP, region, axes=pole_up @ turn.T, origin=origin,
        shape=[inner, outer, math.cos(cap.half_angle_rad)], radius_mm=outer, owner=owner, surface=surface,
    )  # fmt: skip


def region_properties(
    regions: Sequence[Region], materials: Mapping[str, Material], frequency_mhz: float
) -> Array:
    """What each region is to sound at a frequency.

    Returns
    -------
    (G, 6) float64
        Speed (mm/us), impedance (MRayl), one-way loss (Np/mm), its slope (Np/(mm MHz)), backscatter
        amplitude re the reference tissue, and scatterers per mm3 (0: fully developed).
    """
    rows = []
    for region in regions:
        m = materials[region.tissue]
        level = 0.0 if m.backscatter_db == -math.inf else 10 ** (m.backscatter_db / 20)
        rows.append([
            m.speed_mm_per_us, m.impedance_mrayl, m.loss_np_per_mm(frequency_mhz),
            m.loss_slope_np_per_mm_mhz(frequency_mhz), level, m.scatterers_per_mm3 or 0.0,
        ])  # fmt: skip
    return np.array(rows)
