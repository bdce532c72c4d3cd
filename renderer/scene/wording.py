"""Faults that the format table finds, in plain words: what was found, and what is allowed."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Annotated, Any, Literal, TypeGuard, Union, get_args, get_origin

from annotated_types import Ge, Le, MaxLen, MinLen
from pydantic import Tag, ValidationError
from pydantic.fields import FieldInfo

from renderer.scene.format_base import Model
from renderer.scene.format_scene import SceneRow
from renderer.scene.names import NOT_YET, hint, one_of, show
from renderer.scene.tree import Found, Path, Tree

_NUMBER_IN_TEXT = re.compile(r"\s*[-+]?[0-9]*[.,]?[0-9]+(?:[eE][-+]?[0-9]+)?\s*")

# Keys that stand elsewhere than one might look for them.
_ELSEWHERE = {
    ("coupling",): "phantom.coupling",
    ("background",): "phantom.background",
    ("solids",): "phantom.solids",
    ("tissues",): "phantom.tissues",
    ("aberration",): "phantom.aberration",
}


@dataclass(frozen=True)
class Declared:
    """What the table says of one place: its type, and the limits that go with it."""

    kind: Any
    low: float | None = None
    high: float | None = None
    least: int | None = None
    most: int | None = None


def declared(annotation: Any, metadata: Iterable[Any] = ()) -> Declared:
    """A type taken out of its wrapping, with its limits."""
    limits: dict[str, Any] = {}
    wrapping = list(metadata)
    while True:
        if get_origin(annotation) is Annotated:
            annotation, *more = get_args(annotation)
            wrapping += more
        elif _optional(annotation) is not None:
            annotation = _optional(annotation)
        else:
            break
    for item in wrapping:
        for limit in item.metadata if isinstance(item, FieldInfo) else (item,):
            limits |= _limit(limit)
    return Declared(annotation, **limits)


def members(kind: Any) -> dict[str, Any]:
    """The members of a union by their tags."""
    found = {}
    if get_origin(kind) is Union or type(kind).__name__ == "UnionType":
        for member in get_args(kind):
            tags = [item.tag for item in getattr(member, "__metadata__", ()) if isinstance(item, Tag)]
            if tags:
                found[tags[0]] = member
    return found


def step(place: Declared, part: str | int) -> Declared:
    """What the table says one part further down."""
    kind = place.kind
    if _is_model(kind):
        field = field_of(kind, str(part))
        return Declared(None) if field is None else declared(field.annotation, field.metadata)
    if get_origin(kind) is list:
        return declared(get_args(kind)[0])
    if get_origin(kind) is dict:
        return declared(get_args(kind)[0 if part == "[key]" else 1])
    return declared(members(kind).get(str(part), Any))


def field_of(model: type[Model], key: str) -> FieldInfo | None:
    """The row of a key as it is written in a file."""
    for name, field in model.model_fields.items():
        if (field.alias or name) == key:
            return field
    return None


def keys_of(model: type[Model]) -> list[str]:
    """The keys of a mapping, as they are written in a file."""
    return [field.alias or name for name, field in model.model_fields.items()]


def format_faults(error: ValidationError, tree: Tree) -> list[Found]:
    """The faults behind a failed check of the whole scene, without those that follow from others."""
    found = []
    for item in error.errors(include_url=False, include_context=True):
        fault = _fault(item)
        if not any(fault.path[: len(path)] == path for path in tree.spoiled):
            found.append(fault)
    return found


def _fault(item: Any) -> Found:
    place, around = declared(SceneRow), declared(SceneRow)
    path: list[str | int] = []
    for part in item["loc"]:
        around, place = place, step(place, part)
        if part not in members(around.kind):  # tags of unions are no keys
            path.append(part)
    key_fault = bool(path) and path[-1] == "[key]"
    if key_fault:
        path.pop()
    message = _key_message(path) if key_fault else _message(item, tuple(path), place, around)
    return Found(tuple(path), message)


def _message(item: Any, path: Path, place: Declared, around: Declared) -> str:
    kind, value = item["type"], item["input"]
    if kind == "missing":
        return f"is missing; {wanted(place)} is wanted"
    if kind == "extra_forbidden":
        return _unknown_key(path, around.kind)
    if kind in ("union_tag_invalid", "union_tag_not_found") and "<box>" in members(place.kind):
        return _unknown_shape(value, [tag.strip("<>") for tag in members(place.kind)])
    if kind == "literal_error":
        later = around.kind.later_words if _is_model(around.kind) else {}
        if value in later.get(str(path[-1]), ()):
            return f"{show(value)} is {NOT_YET}"
        return _wrong_word(value, place, around)
    if kind in ("too_short", "too_long"):
        return _wrong_count(len(value), place)
    if kind == "string_pattern_mismatch" or kind.startswith("string_too"):
        return _wrong_text(value, place)
    if kind in ("greater_than_equal", "less_than_equal") and place.low is not None:
        return f"{show(value)} is outside {show(place.low)}..{show(place.high)}"
    return f"{_what(value)}; {wanted(place)} is wanted{_number_hint(value, place)}"


def _key_message(path: list[str | int]) -> str:
    if "attenuation_db_cm" in path:
        return "a key is a frequency in MHz, such as 2.5"
    if "solids" in path:
        return "a key is a label of the picture, a whole number in 0..255"
    return "a name begins and ends with a letter or digit; letters, digits, spaces, . - and _ between; at most 40"


def _unknown_key(path: Path, model: Any) -> str:
    key = str(path[-1])
    if path in _ELSEWHERE:
        return f"unknown key. It stands at '{_ELSEWHERE[path]}'"
    if _is_model(model):
        if key in model.later:
            return NOT_YET
        known = keys_of(model)
        near = hint(key, known)
        return f"unknown key.{near}" if near else f"unknown key. Known here: {', '.join(known)}"
    return "unknown key"


def _unknown_shape(value: Any, shapes: list[str]) -> str:
    if not isinstance(value, dict):
        return f"{_what(value)}; a mapping is wanted"
    shape = value.get("shape")
    if shape is None:
        return f"shape is missing; allowed: {one_of(shapes)}"
    near = hint(shape, shapes) if isinstance(shape, str) else ""
    return f"unknown shape {show(shape)}; allowed: {one_of(shapes)}.{near}".removesuffix(".")


def _wrong_word(value: Any, place: Declared, around: Declared) -> str:
    words = [str(word) for word in get_args(place.kind)]
    near = hint(value, words) if isinstance(value, str) else ""
    if members(around.kind):
        return f"{_what(value)}; {wanted(around)} is wanted"
    if near and len(words) > 8:
        return f"unknown word {show(value)}.{near}"
    return f"{show(value)} is not allowed; allowed: {one_of(_as_written(words))}.{near}".removesuffix(".")


def _wrong_count(count: int, place: Declared) -> str:
    what = "pairs" if get_origin(place.kind) is dict else "items"
    if place.least == place.most:
        return f"holds {count} {what}; {place.least} are wanted"
    low = 0 if place.least is None else place.least
    return f"holds {count} {what}; {low}..{place.most} are allowed"


def _wrong_text(value: str, place: Declared) -> str:
    if not value:
        return "is empty; a text is wanted"
    if place.most is not None and len(value) > place.most:
        return f"is a text of {len(value)} characters; at most {place.most} are allowed"
    return (
        f"{show(value)} is no name: it begins and ends with a letter or digit, "
        "with letters, digits, spaces, . - and _ between"
    )


def _number_hint(value: Any, place: Declared) -> str:
    """A word of advice where a text was meant to be a number."""
    if not isinstance(value, str) or "number" not in wanted(place):
        return ""
    if _NUMBER_IN_TEXT.fullmatch(value):
        plain = value.strip().replace(",", ".")
        return f". Write {plain}, without quotes" if "," not in value else f". Write {plain}"
    if value[:1].isdigit() or value[:1] in "+-.":
        return ". Write the number alone: its unit is in the key"
    return ""


def wanted(place: Declared) -> str:
    """What the table wants at a place, in words."""
    kind = place.kind
    choices = members(kind)
    if "<box>" in choices:
        return "a mapping with a shape"
    if choices:
        return " or ".join(wanted(declared(member)) for member in choices.values())
    if kind in (int, float):
        name = "a whole number" if kind is int else "a number"
        return name if place.low is None else f"{name} in {show(place.low)}..{show(place.high)}"
    if get_origin(kind) is Literal:
        words = _as_written([str(word) for word in get_args(kind)])
        return one_of(words) if len(words) < 8 else "a known word"
    if get_origin(kind) is list:
        return _wanted_list(place)
    if kind is bool:
        return "true or false"
    return "a text" if kind is str else "a mapping"


def _wanted_list(place: Declared) -> str:
    inner = declared(get_args(place.kind)[0]).kind
    what = "numbers" if inner in (float, int) else "items"
    if get_origin(inner) is Literal:
        what = "words"
    if get_origin(inner) is list:
        what = "points"
    if place.least is not None and place.least == place.most:
        return f"a list of {place.least} {what}"
    return f"a list of {what}"


def _what(value: Any) -> str:
    """What was found, in words that say its kind."""
    if isinstance(value, bool):
        return f"{show(value)} is neither text nor number"
    if isinstance(value, str):
        return f"{show(value)} is a text"
    if isinstance(value, int | float):
        return f"{show(value)} is a number"
    return "a list was found" if isinstance(value, list) else "a mapping was found"


def _as_written(words: list[str]) -> list[str]:
    return ["true" if word == "True" else "false" if word == "False" else word for word in words]


def _is_model(kind: Any) -> TypeGuard[type[Model]]:
    return isinstance(kind, type) and issubclass(kind, Model)


def _limit(item: Any) -> dict[str, Any]:
    """A limit of the table as a field of ``Declared``."""
    if isinstance(item, Ge):
        return {"low": item.ge}
    if isinstance(item, Le):
        return {"high": item.le}
    if isinstance(item, MinLen):
        return {"least": item.min_length}
    return {"most": item.max_length} if isinstance(item, MaxLen) else {}


def _optional(annotation: Any) -> Any:
    """The type behind ``X | None``, or None where it is no such union."""
    parts = get_args(annotation) if get_origin(annotation) is not Annotated else ()
    rest = [part for part in parts if part is not type(None)]
    return rest[0] if len(rest) == 1 and len(parts) == 2 and type(None) in parts else None
