"""The format table of a scene's own tissues."""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

from pydantic import Field, Tag

from renderer.scene.format_base import ByKind, Model, TissueName

SheetSize = Annotated[float, Field(ge=0.1, le=200)]
LossKey = Annotated[str, Field(pattern=r"^(0|[1-9][0-9]*)?(\.[0-9]+)?$", max_length=12)]


class AnisotropyRow(Model):
    """Backscatter that falls when the beam leaves the perpendicular of the fibres."""

    notes: ClassVar[tuple[str, ...]] = (
        (
            "The level falls by `drop_db` times the square of the angle off the perpendicular over `half_angle_deg`, and "
            "no farther. The picture takes the scan line as it was sent, steered or fanned out; the effect `anisotropy` of "
            "the truth takes the ray as it is bent on its way. Sheets of a `texture` fade by themselves, beside this."
        ),
    )
    direction_deg: float = Field(ge=-180, le=180, description="direction of the fibres in the picture")
    drop_db: float = Field(ge=0, le=60, description="how far the level falls")
    half_angle_deg: float = Field(ge=1, le=90, description="angle at which it has fallen")


class OctaveRow(Model):
    """Variation of the level on one scale."""

    length_mm: float = Field(ge=0.1, le=200, description="scale of the variation")
    across_mm: float | None = Field(
        default=None,
        ge=0.1,
        le=200,
        description="scale across the layers of the tissue; length_mm if not said",
    )
    contrast_db: float = Field(ge=0, le=20, description="standard deviation of the level")


class SheetsRow(Model):
    """Thin sheets inside a tissue that show as lines where they lie square to the beam, and fade where they do not."""

    notes: ClassVar[tuple[str, ...]] = (
        (
            "`cells`: the walls of closely packed cells of that size, such as lobules or bundles of fibres. `layers`: "
            "laminae at the distance of the third size, torn and wavy, each running for about the first two. "
            "`lining`: such laminae that follow the surface of the solid that the tissue fills."
        ),
    )
    pattern: Literal["cells", "layers", "lining"] = Field(description="how the sheets lie")
    size_mm: Annotated[list[SheetSize], Field(min_length=3, max_length=3)] = Field(
        description="size along the fibres, across them in their plane, and upright to both"
    )
    contrast_db: float = Field(
        ge=-20, le=30, description="level of a sheet square to the beam above the speckle round it"
    )
    kept_percent: float = Field(default=60, ge=1, le=100, description="share of the sheets that is there")
    thickness_mm: float = Field(default=0.05, ge=0, le=2, description="thickness of a sheet")
    wave_mm: float = Field(default=0.3, ge=0, le=10, description="how far the sheets swing to and fro")
    patchiness_db: float = Field(
        default=4, ge=0, le=15, description="standard deviation of the level along a sheet"
    )


class VesselsRow(Model):
    """Branching vessels inside a tissue. They are texture: they bend no beam and have no name in the truth."""

    trunk_radius_mm: float = Field(ge=0.2, le=20, description="radius of the trunk of a tree")
    least_radius_mm: float = Field(ge=0.2, le=20, description="radius at which branching ends")
    trunk_length_mm: float = Field(ge=1, le=100, description="length of the trunk; branches are shorter")
    spacing_mm: float = Field(
        ge=5, le=300, description="distance of the trees in the picture; a third of it across"
    )
    wall_db: float = Field(default=0, ge=-10, le=20, description="level of the trunk's wall re the tissue")
    lumen_db: float = Field(default=-30, ge=-60, le=20, description="level of the lumen re the tissue")


class UnevenLossRow(Model):
    """Loss that varies within the tissue, which makes soft streaks below it."""

    notes: ClassVar[tuple[str, ...]] = (
        (
            "A log-normal field on two scales, that length and a third of it; its mean is the loss of the tissue. Followed "
            "along the middle ray of each line. It is texture, and no effect of the truth."
        ),
    )
    length_mm: float = Field(ge=1, le=200, description="scale of the variation")
    spread_percent: float = Field(
        ge=1, le=60, description="standard deviation of the loss per way, re its mean"
    )


class OrientationRow(Model):
    """Which way the fibres and layers of a texture run."""

    direction_deg: float = Field(
        default=0,
        ge=-180,
        le=180,
        description="direction of the fibres in the picture; positive lowers the right",
    )
    turn_deg: float = Field(
        default=0, ge=-180, le=180, description="turn of them about z: 90 shows the fibres end on"
    )


class TextureRow(Model):
    """Texture above the speckle: octaves of level that add in dB, thin sheets, and vessels."""

    notes: ClassVar[tuple[str, ...]] = (
        (
            "A preset by name stands for the rows in the table of textures below. The mean level stays that of "
            "`backscatter_db`. All of it is drawn with the scatterers: it lies still in the tissue, costs nothing "
            "per picture, and `physics.texture: false` takes it away."
        ),
    )
    octaves: Annotated[list[OctaveRow], Field(max_length=8)] = Field(
        default=[], description="scales and their contrasts"
    )
    sheets: Annotated[list[SheetsRow], Field(max_length=4)] = Field(
        default=[], description="thin sheets: septa, fibres, laminae"
    )
    vessels: Annotated[list[VesselsRow], Field(max_length=4)] = Field(
        default=[], description="trees of vessels, by kind"
    )
    loss: UnevenLossRow | None = Field(default=None, description="how uneven the loss is; even if not said")
    orientation: OrientationRow = Field(
        default=OrientationRow(), description="which way fibres and layers run; along x if not said"
    )


class TissueFields(Model):
    """A tissue: like a known one, or from scratch with speed, density and loss."""

    like: TissueName | None = Field(
        default=None, description="known tissue that gives whatever is not said here"
    )
    speed_m_s: float | None = Field(default=None, ge=100, le=10000, description="speed of sound")
    density_kg_m3: float | None = Field(default=None, ge=0.1, le=25000, description="density")
    attenuation_db_cm_mhz: float | None = Field(
        default=None, ge=0, le=100, description="one-way amplitude loss at 1 MHz"
    )
    attenuation_power: float | None = Field(
        default=None, ge=0, le=3, description="power of frequency in the loss; 1 where nothing is said"
    )
    attenuation_db_cm: (
        Annotated[dict[LossKey, Annotated[float, Field(ge=0, le=10000)]], Field(min_length=1, max_length=40)]
        | None
    ) = Field(
        default=None, description="one-way amplitude loss in dB/cm by frequency in MHz, in place of the law"
    )
    backscatter_db: (
        Annotated[
            Annotated[float, Field(ge=-80, le=40), Tag("<number>")]
            | Annotated[Literal["none"], Tag("<word>")],
            ByKind,
        ]
        | None
    ) = Field(
        default=None,
        description="mean picture level re the reference tissue; none: anechoic; 0 where nothing is said",
    )
    scatterers_per_mm3: float | None = Field(
        default=None,
        ge=0.001,
        le=2000,
        description="density of scatterers; fully developed speckle where not said",
    )
    texture: (
        Annotated[
            Annotated[str, Field(min_length=1, max_length=40), Tag("<word>")]
            | Annotated[TextureRow, Tag("<mapping>")],
            ByKind,
        ]
        | None
    ) = Field(default=None, description="texture above the speckle: a preset by name, or what it is made of")
    anisotropy: AnisotropyRow | None = Field(
        default=None, description="fall of the level with the angle to fibres"
    )
