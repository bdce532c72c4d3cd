"""The format table of a scene's own tissues."""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

from pydantic import Field, Tag

from renderer.scene.format_base import ByKind, Model, TissueName

LossKey = Annotated[str, Field(pattern=r"^(0|[1-9][0-9]*)?(\.[0-9]+)?$", max_length=12)]


class AnisotropyRow(Model):
    """Backscatter that falls when the beam leaves the perpendicular of the fibres."""

    direction_deg: float = Field(ge=-180, le=180, description="direction of the fibres in the picture")
    drop_db: float = Field(ge=0, le=60, description="how far the level falls")
    half_angle_deg: float = Field(ge=1, le=90, description="angle at which it has fallen")


class OctaveRow(Model):
    """Variation of the level on one scale."""

    length_mm: float = Field(ge=0.1, le=200, description="scale of the variation")
    contrast_db: float = Field(ge=0, le=20, description="standard deviation of the level")


class TextureRow(Model):
    """Texture above the speckle, as octaves that add in dB."""

    later: ClassVar[tuple[str, ...]] = ("sheets", "vessels", "orientation")
    notes: ClassVar[tuple[str, ...]] = (
        (
            "A preset by name stands for the octaves in the table of textures below. The mean level stays that of "
            "`backscatter_db`."
        ),
    )
    octaves: Annotated[list[OctaveRow], Field(min_length=1, max_length=8)] = Field(
        description="scales and their contrasts"
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
    ) = Field(default=None, description="texture above the speckle: a preset by name, or octaves")
    anisotropy: AnisotropyRow | None = Field(
        default=None, description="fall of the level with the angle to fibres"
    )
