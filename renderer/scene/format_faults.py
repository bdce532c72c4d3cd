"""The format table of the faults of probe and machine."""

from __future__ import annotations

from typing import Annotated, ClassVar

from pydantic import Field

from renderer.scene.format_base import Model

ElementNumber = Annotated[int, Field(ge=1, le=1024)]
FacePlace = Annotated[float, Field(ge=-400, le=400)]


class WeakRow(Model):
    """Neighbouring elements that send and hear too little."""

    first: int = Field(ge=1, le=1024, description="first element, from 1 at the left end")
    last: int = Field(ge=1, le=1024, description="last of them")
    loss_db: float = Field(ge=0.1, le=60, description="loss of each passage; at 60 they are dead")


class CableRow(Model):
    """Wires that break contact: anew in every frame of a series, each of them is open or not."""

    first: int = Field(ge=1, le=1024, description="first element, from 1 at the left end")
    last: int = Field(ge=1, le=1024, description="last of them")
    open_chance: float = Field(default=0.5, ge=0.01, le=1, description="chance of each to be open in a frame")


class ChannelsRow(Model):
    """Channels of a board of the machine that are lost."""

    notes: ClassVar[tuple[str, ...]] = (
        (
            "A channel serves the elements whose numbers differ by `probe.channels`: the dark streaks come again at "
            "that distance, and stay with the machine when the probe is changed."
        ),
    )
    first: int = Field(ge=1, le=1024, description="first channel, from 1")
    last: int = Field(ge=1, le=1024, description="last of them")


class DelaminationRow(Model):
    """A piece of the lens that has come loose: a film of air weakens it, and it rings."""

    from_mm: FacePlace = Field(description="left end, along the face from its middle")
    to_mm: FacePlace = Field(description="right end")
    loss_db: float = Field(default=12.0, ge=0.1, le=60, description="loss of each passage")
    ring_db: float = Field(default=6.0, ge=0, le=40, description="level of its ring re the sound face's")


class AirGapRow(Model):
    """A piece of the face that has no gel: no sound passes, and the face rings against air."""

    from_mm: FacePlace = Field(description="left end, along the face from its middle")
    to_mm: FacePlace = Field(description="right end")
    loss_db: float = Field(
        default=60.0, ge=0.1, le=60, description="loss of each passage; less where contact is poor"
    )


class InterferenceRow(Model):
    """A source outside that the receiver picks up."""

    notes: ClassVar[tuple[str, ...]] = (
        "Without `burst_us` and `every_us` it never pauses; bursts show as dashes that drift from line to line.",
    )
    frequency_mhz: float = Field(ge=0.05, le=60, description="frequency of the source")
    level_db: float = Field(
        default=-80.0, ge=-160, le=20, description="level at the receiver re full scale, before gain"
    )
    burst_us: float | None = Field(default=None, ge=0.05, le=1e6, description="length of a burst")
    every_us: float | None = Field(default=None, ge=0.05, le=1e7, description="from one burst to the next")


class CrosstalkRow(Model):
    """Echoes that leak from element to element along the array."""

    level_db: float = Field(default=-36.0, ge=-80, le=-6, description="level at the first neighbour")
    reach_mm: float = Field(default=4.0, ge=0.2, le=100, description="distance over which it falls to 1/e")
    speed_m_s: float = Field(default=1000.0, ge=300, le=6000, description="speed along the array")


class SliderRow(Model):
    """A depth gain that is stuck."""

    slider: int = Field(ge=1, le=8, description="which of the eight, from the face")
    gain_db: float = Field(ge=-40, le=40, description="gain that it gives whatever it is set to")


class FaultsRow(Model):
    """What is wrong with the probe and the machine; nothing where nothing is said."""

    dead_elements: Annotated[list[ElementNumber], Field(max_length=1024)] = Field(
        default=[], description="elements that neither send nor hear, from 1 at the left end"
    )
    weak_elements: Annotated[list[WeakRow], Field(max_length=64)] = Field(
        default=[], description="groups of elements that have grown weak"
    )
    loose_cable: CableRow | None = Field(
        default=None, description="wires that break contact from frame to frame"
    )
    lost_channels: ChannelsRow | None = Field(default=None, description="channels of a board that are lost")
    delamination: Annotated[list[DelaminationRow], Field(max_length=16)] = Field(
        default=[], description="pieces of the lens that have come loose"
    )
    air_gap: Annotated[list[AirGapRow], Field(max_length=16)] = Field(
        default=[], description="pieces of the face without contact"
    )
    lost_lines: Annotated[list[Annotated[int, Field(ge=1, le=512)]], Field(max_length=512)] = Field(
        default=[], description="lines of the picture that are missing, from 1 at the left"
    )
    sensitivity_db: float = Field(
        default=0.0, ge=-60, le=0, description="loss of output or sensitivity: all echoes against the noise"
    )
    interference: InterferenceRow | None = Field(default=None, description="a source outside")
    crosstalk: CrosstalkRow | None = Field(default=None, description="leaking between elements")
    stuck_slider: SliderRow | None = Field(default=None, description="a depth gain that is stuck")
