"""The format table of the probe, its pose and the machine."""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

from pydantic import Field, Tag

from renderer.scene.format_base import ByKind, Model
from renderer.scene.probe_presets import PRESETS, PresetName

Gain = Annotated[float, Field(ge=-40, le=40)]
Angle = Annotated[float, Field(ge=-30, le=30)]
Along = Annotated[float, Field(ge=-500, le=500)]
Direction = Annotated[float, Field(ge=-90, le=90)]
SECTOR_DEG = 80.0  # angle of a sector where it is not said
Depth = Annotated[float, Field(ge=1, le=400)]


class ProbeRow(Model):
    """A one-dimensional array with a fixed elevation lens."""

    later: ClassVar[tuple[str, ...]] = ("lens",)
    notes: ClassVar[tuple[str, ...]] = (
        (
            "A preset fills in what is not said, here and in `machine`; without one, what is required must be said: "
            + "; ".join(f"`{name}`, {preset.meant_for}" for name, preset in PRESETS.items())
            + "."
        ),
        *(
            f"`preset: {name}`: "
            + ", ".join(
                f"{key} {value:g}" if isinstance(value, float) else f"{key} {value}" for key, value in keys
            )
            + "."
            for name, preset in PRESETS.items()
            for keys in [[*preset.probe.items(), *preset.machine.items()]]
        ),
        (
            "All lines of a sector probe leave the middle of its flat face, each steered by its own angle: the picture "
            "is a sector with its tip at the face. Elements half a wavelength apart keep grating lobes away."
        ),
    )
    preset: PresetName | None = Field(
        default=None, description="a probe by name, with machine defaults to suit"
    )
    kind: Literal["linear", "convex", "sector"] = Field(description="shape of the face, or of the picture")
    elements: int = Field(ge=1, le=1024, description="number of elements")
    pitch_mm: float = Field(ge=0.02, le=3, description="distance between element centres")
    radius_mm: float | None = Field(default=None, ge=5, le=200, description="radius of the face (convex)")
    sector_deg: float | None = Field(
        default=None,
        ge=20,
        le=100,
        description=f"angle of the picture (sector); {SECTOR_DEG:g} where not said",
    )
    frequency_mhz: float = Field(ge=0.5, le=40, description="centre of the band")
    bandwidth_percent: float = Field(
        default=60.0, ge=5, le=120, description="full width of the two-way spectrum at -6 dB, re the centre"
    )
    height_mm: float = Field(default=5.0, ge=0.5, le=40, description="height of the elements (elevation)")
    lens_focus_mm: float = Field(default=25.0, ge=2, le=400, description="depth of the elevation focus")
    channels: int | None = Field(
        default=None, ge=1, le=1024, description="elements that work at once; all where not said"
    )
    face_reflection_db: float = Field(
        default=-12.0, ge=-60, le=0, description="reflection of echoes at the face"
    )
    main_bang_db: Annotated[
        Annotated[float, Field(ge=-120, le=40), Tag("<number>")] | Annotated[Literal["none"], Tag("<word>")],
        ByKind,
    ] = Field(default=0.0, description="ring of the pulse at the face, re full scale, or none")


class PoseRow(Model):
    """Where the probe is: turned, fanned, rocked about the middle of its face; then slid and lifted."""

    slide_mm: float = Field(default=0.0, ge=-500, le=500, description="slide along the probe's own x")
    lift_mm: float = Field(default=0.0, ge=0, le=200, description="lift off the surface; the gap is coupling")
    rock_deg: float = Field(
        default=0.0, ge=-60, le=60, description="rock in the picture plane; positive dips the right"
    )
    fan_deg: float = Field(default=0.0, ge=-60, le=60, description="fan out of the picture plane")
    turn_deg: float = Field(default=0.0, ge=-180, le=180, description="turn about the vertical")


class MachineRow(Model):
    """The console: what is sent, how it is listened to, and how it is shown."""

    notes: ClassVar[tuple[str, ...]] = (
        (
            "The chain: echoes (`output_db`) and noise (`noise_db`) are added; then come `gain_db`, the slope, "
            "`tgc_db`, `lateral_gain_db` and, with `flat_field`, the factory curve; then the envelope, the mean of "
            "the views of `compound_deg`, `persistence`, `edge_enhancement`, `reject_db` and `grey_map`."
        ),
        "White is 0 dB, black is minus `dynamic_range_db`; nothing is scaled by its own minimum or maximum.",
        (
            "`harmonic`: the pulse goes out at `frequency_mhz` and is listened to at twice that; both must lie in the "
            "probe's band at -12 dB two-way. Where `frequency_mhz` is not said it is two thirds of the probe's."
        ),
        (
            "`view_deg` is [from, to], the directions of the picture's left and right edge, in degrees to the axis of the "
            "probe (positive looks right). Of a linear probe the lines spread from one to the other, as if they came from "
            "one point behind the face: with [-15, 15] the picture widens with depth, with [10, 10] it is that of "
            "`steer_deg: 10`; `steer_deg` and each angle of `compound_deg` turn both edges. Of a convex or sector probe it "
            "is the part of the array's own view that is scanned. `view_mm` is [from, to], the stretch of a linear "
            "probe's face that is scanned, from its middle. All `lines` are spread over the view, the outer ones half a "
            "gap within its edges; apertures reach beyond it, as far as the array does."
        ),
        "`clutter_db` counts while `physics.clutter` is on.",
        "`persistence` runs from frame to frame of a series; a single picture has none.",
    )
    lines: int | None = Field(
        default=None,
        ge=2,
        le=512,
        description="lines of the picture; the probe's elements (linear, at least 2), 192 (convex) or 160 (sector)",
    )
    depth_mm: float = Field(default=60.0, ge=5, le=400, description="depth of the picture")
    frequency_mhz: float | None = Field(
        default=None,
        ge=0.5,
        le=40,
        description="centre of the pulse, within the probe's band; the probe's where not said",
    )
    focus_mm: (
        Annotated[
            Annotated[Depth, Tag("<number>")]
            | Annotated[list[Depth], Field(min_length=1, max_length=8), Tag("<list>")],
            ByKind,
        ]
        | None
    ) = Field(default=None, description="transmit foci, ascending, or one; half the depth where not said")
    transmit_f_number: float = Field(default=3.0, ge=0.5, le=20, description="focus over aperture, sending")
    receive_f_number: float = Field(default=2.0, ge=0.5, le=20, description="depth over aperture, listening")
    apodisation: Literal["none", "hamming", "hann"] = Field(
        default="hamming", description="weights of the aperture"
    )
    steer_deg: float = Field(
        default=0.0, ge=-30, le=30, description="steering of all lines; positive looks right"
    )
    compound_deg: Annotated[list[Angle], Field(min_length=1, max_length=15)] | None = Field(
        default=None,
        description="steering angles of the views that are averaged, ascending; in place of steer_deg",
    )
    assumed_speed_m_s: float = Field(
        default=1540.0, ge=1300, le=1800, description="speed that the machine believes in"
    )
    prf_hz: Annotated[
        Annotated[float, Field(ge=100, le=20000), Tag("<number>")]
        | Annotated[Literal["auto"], Tag("<word>")],
        ByKind,
    ] = Field(default="auto", description="pulses a second; auto: as fast as the depth allows")
    output_db: float = Field(
        default=0.0, ge=-60, le=20, description="level of the pulse: scales echoes, not noise"
    )
    gain_db: float = Field(default=0.0, ge=-80, le=80, description="overall gain: scales echoes and noise")
    tgc_slope_db_cm_mhz: float = Field(
        default=0.5, ge=0, le=3, description="one-way loss that the machine makes up for"
    )
    harmonic: bool = Field(
        default=False,
        description="true: listens at twice the frequency that is sent, which tissue makes on the way",
    )
    clutter_db: float = Field(
        default=-22.0, ge=-80, le=0, description="haze of multiple scattering, re the tissue round about"
    )
    flat_field: bool = Field(
        default=True, description="true: the factory curve removes the beam's own gain with depth"
    )
    tgc_db: Annotated[list[Gain], Field(min_length=8, max_length=8)] = Field(
        default=[0.0] * 8, description="eight depth gains, from the face to the full depth"
    )
    lateral_gain_db: Annotated[list[Gain], Field(min_length=8, max_length=8)] = Field(
        default=[0.0] * 8, description="eight gains from the left to the right"
    )
    noise_db: float = Field(
        default=-106.0, ge=-200, le=0, description="rms of the receiver noise re full scale, before TGC"
    )
    dynamic_range_db: float = Field(default=64.0, ge=20, le=120, description="range from black to white")
    reject_db: float | None = Field(
        default=None, ge=-120, le=0, description="levels below are black; nothing is rejected where not said"
    )
    grey_map: Literal["soft", "linear"] = Field(
        default="soft", description="from level to grey; linear for measuring"
    )
    edge_enhancement: float = Field(default=0.0, ge=0, le=2, description="strength of the sharpening filter")
    persistence: float = Field(
        default=0.0, ge=0, le=0.95, description="share of the last picture in the next"
    )
    view_mm: Annotated[list[Along], Field(min_length=2, max_length=2)] | None = Field(
        default=None, description="part of the face that is scanned (linear); all of it where not said"
    )
    view_deg: Annotated[list[Direction], Field(min_length=2, max_length=2)] | None = Field(
        default=None,
        description="directions of the picture's left and right edge; those of the whole array where not said",
    )
    pixel_mm: float | None = Field(
        default=None, ge=0.01, le=2, description="size of a pixel; chosen from the depth where not said"
    )
