"""The format table of solids: one model a shape."""

from __future__ import annotations

from typing import Annotated, Any, ClassVar, Literal

from pydantic import Discriminator, Field, Tag

from renderer.scene.format_base import (
    ByKind,
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

LABEL_PATTERN = r"^(?:0|[1-9][0-9]?|1[0-9][0-9]|2[0-4][0-9]|25[0-5])$"
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


class SolidBase(Model):
    """What every solid has, its tissue apart."""

    notes: ClassVar[tuple[str, ...]] = (
        (
            "`rotate_deg` turns about x, then about y, then about z, all through the solid's own centre. About y, "
            "positive lowers the right side, as `tilt_deg` and `rock_deg` do."
        ),
        (
            "The own centre is the middle of boxes, ellipsoids, tubes and wires; the middle of the shaft of a "
            "needle; the middle of the extent of the points of a chain, of a prism, of a curved sheet and of an image; "
            "that of the region of grains; the centre of the sphere of a cap; and the place at x = 0 of the upper "
            "plane of a slab."
        ),
    )
    name: Name = Field(description="name of the solid, unique in the scene")
    rotate_deg: Turns = Field(default=[0.0, 0.0, 0.0], description="turn about its own centre: about x, y, z")
    surface: SurfaceRow = Field(default=SurfaceRow(), description="roughness and waves of its surface")


class SolidRow(SolidBase):
    """What every solid has (an image has `tissues` in place of `tissue`)."""

    tissue: TissueName = Field(description="tissue that fills it")


class SlabRow(SolidRow):
    """Layer between two parallel planes."""

    one_of: ClassVar[tuple[tuple[str, ...], ...]] = (("thickness_mm", "bottomless"),)
    shape: Literal["slab"]
    top_mm: float = Field(ge=-100, le=1000, description="depth of its upper plane at x = 0")
    thickness_mm: float | None = Field(default=None, ge=0.001, le=1000, description="thickness")
    bottomless: Literal[True] | None = Field(default=None, description="true: it has no lower plane")
    tilt_deg: float = Field(default=0.0, ge=-80, le=80, description="slope; positive lowers the right side")


class BoxBody(Model):
    """Cuboid."""

    shape: Literal["box"]
    centre_mm: Point3 = Field(description="centre")
    size_mm: Sizes = Field(description="edge lengths along x, y, z")


class BoxRow(BoxBody, SolidRow):
    """Cuboid."""


class EllipsoidBody(Model):
    """Ellipsoid or sphere."""

    shape: Literal["ellipsoid"]
    centre_mm: Point3 = Field(description="centre")
    radii_mm: Radii = Field(description="outer half axes along x, y, z; one number for a sphere")


class EllipsoidRow(EllipsoidBody, SolidRow):
    """Ellipsoid or sphere."""

    notes: ClassVar[tuple[str, ...]] = ("`radii_mm` are outer sizes: the wall lies inside them.",)
    wall_mm: Wall | None = Field(default=None, description="thickness of its wall, inside the outer surface")
    wall_tissue: TissueName | None = Field(default=None, description="tissue of its wall")


class TubeBody(Model):
    """Straight cylinder."""

    shape: Literal["tube"]
    from_mm: Point3 = Field(description="centre of one end")
    to_mm: Point3 = Field(description="centre of the other end")
    radius_mm: Radius = Field(description="outer radius")


class TubeRow(TubeBody, SolidRow):
    """Straight cylinder."""

    notes: ClassVar[tuple[str, ...]] = ("`radius_mm` is the outer size: the wall lies inside it.",)
    wall_mm: Wall | None = Field(default=None, description="thickness of its wall, inside the outer surface")
    wall_tissue: TissueName | None = Field(default=None, description="tissue of its wall")


class ChainBody(Model):
    """Bent tube along points, with round ends."""

    shape: Literal["chain"]
    points_mm: Annotated[list[Point3], Field(min_length=2, max_length=200)] = Field(
        description="points of its axis, in order"
    )
    radius_mm: Annotated[
        Annotated[Radius, Tag("<number>")]
        | Annotated[list[Radius], Field(min_length=2, max_length=200), Tag("<list>")],
        ByKind,
    ] = Field(description="outer radius: one number, or one a point")


class ChainRow(ChainBody, SolidRow):
    """Bent tube along points, with round ends."""

    notes: ClassVar[tuple[str, ...]] = (
        (
            "It runs straight from point to point, or as a cone where the radius changes, and each point is the centre "
            "of a sphere: bends are round, and the two ends reach a radius beyond their points. Take more points for a "
            "smoother bend. There are no surfaces inside it."
        ),
        "`radius_mm` is the outer size: the wall lies inside it, and closes the two ends.",
    )
    wall_mm: Wall | None = Field(default=None, description="thickness of its wall, inside the outer surface")
    wall_tissue: TissueName | None = Field(default=None, description="tissue of its wall")


class PrismBody(Model):
    """Closed outline in the picture plane, drawn out along y."""

    shape: Literal["prism"]
    outline_mm: Annotated[list[Point2], Field(min_length=3, max_length=400)] = Field(
        description="corners [x, z], in order; the last joins the first"
    )
    y_mm: Extent = Field(description="where it begins and ends along y")
    rounded: bool = Field(default=False, description="true: a smooth curve through the corners")


class PrismRow(PrismBody, SolidRow):
    """Closed outline in the picture plane, drawn out along y."""


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

    notes: ClassVar[tuple[str, ...]] = (
        (
            "For a positive angle the tip is the deepest point, and the shaft rises from it to the upper left, towards "
            "-x; for a negative one it is the upper end, and the shaft falls away below it."
        ),
        (
            "The axis of the shaft ends at `tip_mm`. A bevel cuts the end aslant on the side of the probe (bevel up), so "
            "that the point lies on the far edge of the shaft, half a diameter square on to `tip_mm`. `bevel_deg` "
            "is measured from a square cut: a needle ground at 20 degrees to its shaft has 70."
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


def shape_tag(value: Any) -> str | None:
    """The tag of a solid: its shape in brackets, or nothing where it has none."""
    shape = value.get("shape") if isinstance(value, dict) else getattr(value, "shape", None)
    return f"<{shape}>" if isinstance(shape, str) else None


ClosedBody = Annotated[
    Annotated[BoxBody, Tag("<box>")]
    | Annotated[EllipsoidBody, Tag("<ellipsoid>")]
    | Annotated[TubeBody, Tag("<tube>")]
    | Annotated[ChainBody, Tag("<chain>")]
    | Annotated[PrismBody, Tag("<prism>")],
    Discriminator(shape_tag),
]
ClosedRow = BoxBody | EllipsoidBody | TubeBody | ChainBody | PrismBody
MAX_GRAINS = 2000


class RingDownRow(Model):
    """A decaying tone that each grain gives off when the pulse has struck it."""

    notes: ClassVar[tuple[str, ...]] = (
        "The column begins at the level of the grain's own echo, and is heard as far as the receiver's band lets it.",
    )
    frequency_mhz: float = Field(ge=0.1, le=40, description="the gas's own frequency")
    decay_us: float = Field(ge=0.1, le=500, description="time in which the tone falls to 1/e")


class GrainsRow(SolidRow):
    """Many small spheres strewn through a closed region."""

    notes: ClassVar[tuple[str, ...]] = (
        (
            "Their places follow from the seed of the tissue and are the same in every view. Their centres lie within "
            "`region`, which is no body itself: what is around the grains there stays as it is. They do not overlap; "
            "together they may fill a fifth of the region."
        ),
        "All grains are one region of the truth.",
        "`region` takes the keys of a box, ellipsoid, tube, chain or prism, without name, tissue and wall.",
        THIN,
    )
    shape: Literal["grains"]
    region: ClosedBody = Field(description="closed shape that their centres lie in")
    count: int = Field(ge=1, le=MAX_GRAINS, description="number of grains")
    diameter_mm: float = Field(ge=0.005, le=20, description="diameter of each")
    ring_down: RingDownRow | None = Field(default=None, description="the grains are gas that rings")


Label = Annotated[str, Field(pattern=LABEL_PATTERN)]
VolumeAxis = Literal["i", "j", "k", "-i", "-j", "-k"]


class ImageRow(SolidBase):
    """Bodies from the labels of a picture, or of a slice of a volume, drawn out along y."""

    notes: ClassVar[tuple[str, ...]] = (
        (
            "`file` is an 8 bit PNG of labels (grey values or palette numbers) in the folder of the scene. Rows run "
            "down, columns to the right. Label 0 is nothing unless `tissues` names it: what lies beneath stays."
        ),
        (
            "Or it is a NIfTI volume of labels (`.nii`, `.nii.gz`; with the extra `volumes`), of which one slice is "
            "taken. Its axes are i, j, k as stored, and it says itself how large its voxels are; they must be square in the "
            "picture. `axes` and `slice` are for volumes alone, `pixel_mm` for a PNG alone."
        ),
        "Each label is a region of its own, NAME.LABEL, in ascending order.",
        (
            "Borders are smoothed once for both sides, by 0.6 of a pixel at most, so that labels fit together without "
            "gaps; where three meet the corner stays."
        ),
    )
    shape: Literal["image"]
    file: Annotated[str, Field(min_length=1, max_length=200)] = Field(
        description="label picture or volume, beside the scene file or below it"
    )
    pixel_mm: float | None = Field(default=None, ge=0.005, le=10, description="size of a pixel of a PNG")
    axes: Annotated[list[VolumeAxis], Field(min_length=2, max_length=2)] | None = Field(
        default=None,
        description="axes of the volume to the right and down, minus: the other way; [i, j] if not said",
    )
    slice: int | None = Field(
        default=None,
        ge=0,
        le=5000,
        description="number of the slice along the third axis; the middle if not said",
    )
    origin_mm: Point2 = Field(description="centre [x, z] of the first pixel, at the upper left")
    y_mm: Extent = Field(default=[-50.0, 50.0], description="where it begins and ends along y")
    tissues: Annotated[dict[Label, TissueName], Field(min_length=1, max_length=256)] = Field(
        description="tissue of each label"
    )


class BeadRow(SolidRow):
    """Small sphere."""

    notes: ClassVar[tuple[str, ...]] = (THIN,)
    shape: Literal["bead"]
    at_mm: Point3 = Field(description="centre")
    diameter_mm: float = Field(ge=0.005, le=20, description="diameter")


SHAPES: dict[str, type[SolidBase]] = {
    "slab": SlabRow,
    "box": BoxRow,
    "ellipsoid": EllipsoidRow,
    "tube": TubeRow,
    "chain": ChainRow,
    "prism": PrismRow,
    "sheet": SheetRow,
    "needle": NeedleRow,
    "wire": WireRow,
    "bead": BeadRow,
    "grains": GrainsRow,
    "image": ImageRow,
}

AnySolid = Annotated[
    Annotated[SlabRow, Tag("<slab>")]
    | Annotated[BoxRow, Tag("<box>")]
    | Annotated[EllipsoidRow, Tag("<ellipsoid>")]
    | Annotated[TubeRow, Tag("<tube>")]
    | Annotated[ChainRow, Tag("<chain>")]
    | Annotated[PrismRow, Tag("<prism>")]
    | Annotated[SheetRow, Tag("<sheet>")]
    | Annotated[NeedleRow, Tag("<needle>")]
    | Annotated[WireRow, Tag("<wire>")]
    | Annotated[BeadRow, Tag("<bead>")]
    | Annotated[GrainsRow, Tag("<grains>")]
    | Annotated[ImageRow, Tag("<image>")],
    Discriminator(shape_tag),
]

__all__ = ["SHAPES", "AnySolid", "CapRow", "Place", "RingDownRow", "SolidRow", "SurfaceRow", "shape_tag"]
