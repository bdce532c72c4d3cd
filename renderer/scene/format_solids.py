"""The format table of solids: one model a shape."""

from __future__ import annotations

from typing import Annotated, Any, ClassVar, Literal

from pydantic import Discriminator, Field, Tag

from renderer.scene.format_base import (
    Extent,
    Model,
    Name,
    Place,
    Point2,
    Point3,
    Radii,
    Radius,
    Sizes,
    TissueName,
    Turns,
)

Wall = Annotated[float, Field(ge=0.01, le=100)]

THIN = (
    "Thinner than 1.5 wavelengths (assumed speed over pulse frequency) it is a point reflector: it shines and "
    "casts no shadow. From there on it is traced as a body."
)


class SurfaceRow(Model):
    """How a surface departs from its ideal shape."""

    roughness_um: float = Field(default=0.0, ge=0, le=1000, description="fine roughness, rms")
    wave_mm: float = Field(default=0.0, ge=0, le=10, description="amplitude of long waves")
    wave_length_mm: float = Field(default=10.0, ge=0.1, le=200, description="length of the long waves")


class SolidRow(Model):
    """What every solid has."""

    notes: ClassVar[tuple[str, ...]] = (
        (
            "`rotate_deg` turns about x, then about y, then about z, all through the solid's own centre. About y, "
            "positive lowers the right side, as `tilt_deg` and `rock_deg` do."
        ),
        (
            "The own centre is the middle of boxes, ellipsoids, tubes and wires; the middle of the shaft of a "
            "needle; the middle of the extent of a prism or of a curved sheet; the centre of the sphere of a cap; "
            "and the place at x = 0 of the upper plane of a slab."
        ),
    )
    name: Name = Field(description="name of the solid, unique in the scene")
    tissue: TissueName = Field(description="tissue that fills it")
    rotate_deg: Turns = Field(default=[0.0, 0.0, 0.0], description="turn about its own centre: about x, y, z")
    surface: SurfaceRow = Field(default=SurfaceRow(), description="roughness and waves of its surface")


class SlabRow(SolidRow):
    """Layer between two parallel planes."""

    one_of: ClassVar[tuple[tuple[str, ...], ...]] = (("thickness_mm", "bottomless"),)
    shape: Literal["slab"]
    top_mm: float = Field(ge=-100, le=1000, description="depth of its upper plane at x = 0")
    thickness_mm: float | None = Field(default=None, ge=0.001, le=1000, description="thickness")
    bottomless: Literal[True] | None = Field(default=None, description="true: it has no lower plane")
    tilt_deg: float = Field(default=0.0, ge=-80, le=80, description="slope; positive lowers the right side")


class BoxRow(SolidRow):
    """Cuboid."""

    shape: Literal["box"]
    centre_mm: Point3 = Field(description="centre")
    size_mm: Sizes = Field(description="edge lengths along x, y, z")


class EllipsoidRow(SolidRow):
    """Ellipsoid or sphere."""

    notes: ClassVar[tuple[str, ...]] = ("`radii_mm` are outer sizes: the wall lies inside them.",)
    shape: Literal["ellipsoid"]
    centre_mm: Point3 = Field(description="centre")
    radii_mm: Radii = Field(description="outer half axes along x, y, z; one number for a sphere")
    wall_mm: Wall | None = Field(default=None, description="thickness of its wall, inside the outer surface")
    wall_tissue: TissueName | None = Field(default=None, description="tissue of its wall")


class TubeRow(SolidRow):
    """Straight cylinder."""

    notes: ClassVar[tuple[str, ...]] = ("`radius_mm` is the outer size: the wall lies inside it.",)
    shape: Literal["tube"]
    from_mm: Point3 = Field(description="centre of one end")
    to_mm: Point3 = Field(description="centre of the other end")
    radius_mm: Radius = Field(description="outer radius")
    wall_mm: Wall | None = Field(default=None, description="thickness of its wall, inside the outer surface")
    wall_tissue: TissueName | None = Field(default=None, description="tissue of its wall")


class PrismRow(SolidRow):
    """Closed outline in the picture plane, drawn out along y."""

    shape: Literal["prism"]
    outline_mm: Annotated[list[Point2], Field(min_length=3, max_length=400)] = Field(
        description="corners [x, z], in order; the last joins the first"
    )
    y_mm: Extent = Field(description="where it begins and ends along y")
    rounded: bool = Field(default=False, description="true: a smooth curve through the corners")


class CapRow(Model):
    """Part of a sphere around one pole."""

    notes: ClassVar[tuple[str, ...]] = (
        (
            "With a positive radius the pole is the point nearest to the probe, and the cap is a dome; its "
            "thickness lies inside the sphere. With a negative one the pole is the point farthest from the probe, "
            "and the cap is a bowl that opens towards it; its thickness lies outside the sphere."
        ),
    )
    centre_mm: Point3 = Field(description="centre of the sphere")
    radius_mm: float = Field(
        ge=-1000, le=1000, description="radius; positive: a dome, negative: a bowl open to the probe"
    )
    half_angle_deg: float = Field(ge=1, le=90, description="how far it reaches from its pole")


class SheetRow(SolidRow):
    """Thin layer along a curve or a cap; the curve is its front face."""

    one_of: ClassVar[tuple[tuple[str, ...], ...]] = (("curve_mm", "cap"),)
    notes: ClassVar[tuple[str, ...]] = (
        "`behind` fills everything that is deeper than the sheet, within its width and its extent along y.",
    )
    shape: Literal["sheet"]
    thickness_mm: float = Field(ge=0.001, le=100, description="thickness")
    curve_mm: Annotated[list[Point2], Field(min_length=2, max_length=400)] | None = Field(
        default=None, description="points [x, z] of its front face"
    )
    cap: CapRow | None = Field(default=None, description="part of a sphere in place of a curve")
    y_mm: Extent = Field(default=[-50.0, 50.0], description="where it begins and ends along y (curves)")
    rounded: bool = Field(default=True, description="true: a smooth curve through the points (curves)")
    behind: TissueName | None = Field(
        default=None, description="tissue on its far side, in place of the background"
    )


class NeedleRow(SolidRow):
    """Straight shaft with a tip, from the upper left for a positive angle."""

    only: ClassVar[dict[str, float | bool]] = {"bevel_deg": 0}
    notes: ClassVar[tuple[str, ...]] = (
        (
            "For a positive angle the tip is the deepest point, and the shaft rises from it to the upper left, towards "
            "-x; for a negative one it is the upper end, and the shaft falls away below it."
        ),
        (
            "A hollow needle is filled with water, and the region of its name is that lumen; the shaft is "
            "NAME.wall. The bore is 0.65 of the outer diameter (common practice, no source)."
        ),
    )
    shape: Literal["needle"]
    tip_mm: Point3 = Field(description="tip")
    angle_deg: float = Field(ge=-90, le=90, description="angle of the shaft to the face of the probe")
    out_of_plane_deg: float = Field(
        default=0.0, ge=-90, le=90, description="turn of the shaft out of the picture"
    )
    length_mm: float = Field(ge=1, le=400, description="length of the shaft")
    diameter_mm: float = Field(ge=0.1, le=10, description="outer diameter")
    bevel_deg: float = Field(default=0.0, ge=0, le=80, description="slant of the tip; 0: cut square")
    hollow: bool = Field(default=False, description="true: a tube")


class WireRow(SolidRow):
    """Thin straight filament."""

    notes: ClassVar[tuple[str, ...]] = (THIN,)
    shape: Literal["wire"]
    from_mm: Point3 = Field(description="one end")
    to_mm: Point3 = Field(description="other end")
    diameter_mm: float = Field(ge=0.005, le=5, description="diameter")


class BeadRow(SolidRow):
    """Small sphere."""

    notes: ClassVar[tuple[str, ...]] = (THIN,)
    shape: Literal["bead"]
    at_mm: Point3 = Field(description="centre")
    diameter_mm: float = Field(ge=0.005, le=20, description="diameter")


SHAPES: dict[str, type[SolidRow]] = {
    "slab": SlabRow,
    "box": BoxRow,
    "ellipsoid": EllipsoidRow,
    "tube": TubeRow,
    "prism": PrismRow,
    "sheet": SheetRow,
    "needle": NeedleRow,
    "wire": WireRow,
    "bead": BeadRow,
}


def shape_tag(value: Any) -> str | None:
    """The tag of a solid: its shape in brackets, or nothing where it has none."""
    shape = value.get("shape") if isinstance(value, dict) else getattr(value, "shape", None)
    return f"<{shape}>" if isinstance(shape, str) else None


AnySolid = Annotated[
    Annotated[SlabRow, Tag("<slab>")]
    | Annotated[BoxRow, Tag("<box>")]
    | Annotated[EllipsoidRow, Tag("<ellipsoid>")]
    | Annotated[TubeRow, Tag("<tube>")]
    | Annotated[PrismRow, Tag("<prism>")]
    | Annotated[SheetRow, Tag("<sheet>")]
    | Annotated[NeedleRow, Tag("<needle>")]
    | Annotated[WireRow, Tag("<wire>")]
    | Annotated[BeadRow, Tag("<bead>")],
    Discriminator(shape_tag),
]

__all__ = ["SHAPES", "AnySolid", "CapRow", "Place", "SolidRow", "SurfaceRow", "shape_tag"]
