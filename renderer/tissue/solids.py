"""The solids that a phantom is built of, as described: geometry without numbers for the tracer.

All lengths are mm in the world frame of the phantom, all angles radians.
"""

from __future__ import annotations

from dataclasses import dataclass, field

Point3 = tuple[float, float, float]
Point2 = tuple[float, float]


@dataclass(frozen=True)
class Slab:
    """Layer between two parallel planes. ``top_mm`` is its depth at x = 0; positive tilt lowers the right."""

    top_mm: float
    thickness_mm: float  # inf: bottomless
    tilt_rad: float = 0.0


@dataclass(frozen=True)
class Box:
    """Cuboid."""

    centre_mm: Point3
    size_mm: Point3


@dataclass(frozen=True)
class Ellipsoid:
    """Ellipsoid with half axes ``radii_mm`` (the outside of its wall, when it has one)."""

    centre_mm: Point3
    radii_mm: Point3


@dataclass(frozen=True)
class Tube:
    """Straight cylinder of outer radius ``radius_mm`` between two end centres."""

    from_mm: Point3
    to_mm: Point3
    radius_mm: float


@dataclass(frozen=True)
class Chain:
    """Bent tube with round ends: the hull of the spheres round each two neighbouring points."""

    points_mm: tuple[Point3, ...]
    radii_mm: tuple[float, ...]  # one a point; outer sizes


@dataclass(frozen=True)
class Prism:
    """Closed outline in the (x, z) plane, drawn out along y. ``rounded``: a smooth curve through the points."""

    outline_mm: tuple[Point2, ...]
    y_mm: Point2
    rounded: bool = False


@dataclass(frozen=True)
class Cap:
    """Part of a sphere within ``half_angle_rad`` of its pole.

    The pole is the point nearest the probe for a positive radius (a dome); a negative radius
    takes the pole farthest from the probe (a bowl that opens towards it).
    """

    centre_mm: Point3
    radius_mm: float
    half_angle_rad: float


@dataclass(frozen=True)
class Sheet:
    """Thin layer that follows a curve (drawn out along y) or a cap; its front face is the curve."""

    thickness_mm: float
    curve_mm: tuple[Point2, ...] | None = None
    cap: Cap | None = None
    y_mm: Point2 = (-50.0, 50.0)
    rounded: bool = True


@dataclass(frozen=True)
class Needle:
    """Straight shaft that ends in a tip, coming from the upper left for a positive angle to the face.

    ``tip_mm`` is where its axis ends. The shaft rises from there towards negative x at ``angle_rad``
    to the face, turned out of the picture plane by ``out_of_plane_rad``. A bevel cuts the end off aslant,
    on the side of the face: its point lies on the far edge of the shaft, square on to ``tip_mm``.
    """

    tip_mm: Point3
    angle_rad: float
    length_mm: float
    diameter_mm: float
    out_of_plane_rad: float = 0.0
    bevel_rad: float = 0.0
    hollow: bool = False


@dataclass(frozen=True)
class Wire:
    """Thin straight filament."""

    from_mm: Point3
    to_mm: Point3
    diameter_mm: float


@dataclass(frozen=True)
class Bead:
    """Small sphere."""

    at_mm: Point3
    diameter_mm: float


Closed = Box | Ellipsoid | Tube | Chain | Prism


@dataclass(frozen=True)
class Grains:
    """Many small spheres of one region, whose centres lie within a closed shape.

    Places follow from ``key`` alone: they are the same in every view, and more grains leave the first ones
    where they are. Grains do not overlap.
    """

    region: Closed
    count: int
    diameter_mm: float
    key: int = 0
    ring_down: tuple[float, float] | None = None  # own frequency, MHz, and time to 1/e, µs, of gas that rings


@dataclass(frozen=True)
class LabelImage:
    """Bodies drawn out along y over the labels of a picture in the (x, z) plane.

    ``pixels`` holds one byte a pixel in rows of ``columns``; labels that ``tissues`` does not name leave free
    what lies beneath. ``origin_mm`` [x, z] is the centre of the first pixel, at the upper left.
    """

    pixels: bytes
    columns: int
    pixel_mm: float
    origin_mm: Point2
    y_mm: Point2
    tissues: tuple[tuple[int, str], ...]  # ascending labels


Shape = Slab | Box | Ellipsoid | Tube | Chain | Prism | Sheet | Needle | Wire | Bead | Grains | LabelImage


@dataclass(frozen=True)
class Aberration:
    """Delays of the layers right under a probe: standard deviation one way, and scale along the face."""

    delay_us: float
    length_mm: float


@dataclass(frozen=True)
class Surface:
    """Departure of a surface from its ideal shape: fine roughness (rms) and long waves (amplitude, length)."""

    roughness_um: float = 0.0
    wave_mm: float = 0.0
    wave_length_mm: float = 10.0


@dataclass(frozen=True)
class Solid:
    """A named shape filled with a tissue. Rotation is about the solid's own centre: about x, then y, then z."""

    name: str
    shape: Shape
    tissue: str
    wall_mm: float = 0.0
    wall_tissue: str | None = None
    behind: str | None = None  # sheets: tissue of the far side
    rotate_rad: Point3 = (0.0, 0.0, 0.0)
    surface: Surface = field(default_factory=Surface)
