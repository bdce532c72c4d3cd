"""What the rows of the format table are made of: the strict model and the types of values.

A row is a field: its key wears the unit, its type the range, its description is the line of the
manual. The check, the conversion, the reference page and the schema for editors all read it here.
"""

from __future__ import annotations

from typing import Annotated, Any, ClassVar

from pydantic import BaseModel, ConfigDict, Discriminator, Field, Tag

NAME_PATTERN = r"^[^\W_](?:[\w .\-]*[\w])?$"
"""A letter or digit first and last; letters, digits, spaces, dots, dashes and underscores between."""


class Model(BaseModel):
    """A mapping of the format: unknown keys are refused and nothing is converted silently.

    ``later`` lists keys that are known and not supported yet, ``later_words`` such words by key, and
    ``only`` keys of which one value alone is supported yet. ``one_of`` are groups of keys of which
    exactly one must be given, ``notes`` what the manual says beside the rows.
    """

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, allow_inf_nan=False)
    later: ClassVar[tuple[str, ...]] = ()
    later_words: ClassVar[dict[str, tuple[str, ...]]] = {}
    only: ClassVar[dict[str, float | bool]] = {}
    one_of: ClassVar[tuple[tuple[str, ...], ...]] = ()
    notes: ClassVar[tuple[str, ...]] = ()


def kind_of(value: Any) -> str:
    """The tag of a value whose key takes more than one kind. Never a key of the format, by its brackets."""
    if isinstance(value, str):
        return "<word>"
    if isinstance(value, list):
        return "<list>"
    return "<mapping>" if isinstance(value, dict | BaseModel) else "<number>"


ByKind = Discriminator(kind_of)

Name = Annotated[str, Field(min_length=1, max_length=40, pattern=NAME_PATTERN)]
Sentence = Annotated[str, Field(min_length=1, max_length=200)]
TissueName = Annotated[str, Field(min_length=1, max_length=40)]

Place = Annotated[float, Field(ge=-1000, le=1000)]
Point3 = Annotated[list[Place], Field(min_length=3, max_length=3)]
Point2 = Annotated[list[Place], Field(min_length=2, max_length=2)]
Extent = Annotated[list[Place], Field(min_length=2, max_length=2)]
Size = Annotated[float, Field(ge=0.01, le=2000)]
Radius = Annotated[float, Field(ge=0.01, le=1000)]
Turn = Annotated[float, Field(ge=-180, le=180)]
Sizes = Annotated[list[Size], Field(min_length=3, max_length=3)]
Radii = Annotated[
    Annotated[Radius, Tag("<number>")]
    | Annotated[list[Radius], Field(min_length=3, max_length=3), Tag("<list>")],
    ByKind,
]
Turns = Annotated[list[Turn], Field(min_length=3, max_length=3)]
