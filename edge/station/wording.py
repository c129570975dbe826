"""From pydantic's errors to faults in the project's words.

Theory of operation. An error of pydantic says where it is (``loc``) and what kind it is, in words
meant for programmers. The words of a fault are made anew: what was found is the error's input, and
what was expected is read from the model itself, as its JSON Schema describes the key. ``loc`` also
carries steps that are no keys of the file, namely which member of a union was tried. Only a walk
through the model's types, along ``loc``, can tell them from a device of the same name.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from types import NoneType, UnionType
from typing import Annotated, Any, Union, get_args, get_origin

from pydantic import Tag, ValidationError
from pydantic_core import ErrorDetails

from edge.station.faults import Fault, KeyPath, listed, shown, suggestion
from edge.station.model import Station
from edge.station.section import Section

# What pydantic adds to a path when the name of an entry is at fault, not the entry. (A key that is
# spelt so is an unknown one, which is another kind of error.)
_NAME_ITSELF = "[key]"

_WANTS_A_TABLE = {"model_type", "model_attributes_type", "dict_type"}

# The keys that say which member of a union a table is.
_TELLING = ("kind", "shape", "type")


def faults_of(error: ValidationError) -> list[Fault]:
    """Translate what pydantic found wrong with a `Station`."""
    faults = [_fault(details) for details in error.errors(include_url=False)]
    # A list that is too short is one fault, not one for every missing item.
    return list(dict.fromkeys(faults))


def _fault(error: ErrorDetails) -> Fault:
    loc, kind, found = error["loc"], error["type"], error["input"]
    place = _Place.of(loc[:-1] if kind == "fault" and loc[-1] == _NAME_ITSELF else loc)
    key = place.key
    if kind == "extra_forbidden":
        return _unknown_key(place)
    if kind in {"union_tag_not_found", "union_tag_invalid"}:
        return _unknown_kind(place, found, error["ctx"]["discriminator"].strip("'"))
    if kind == "fault":
        words = error["ctx"]["found"], error["ctx"]["expected"]
    elif kind in _WANTS_A_TABLE:
        words = shown(found), "a table"
    elif kind == "missing" and isinstance(place.last, str):
        words = "nothing", _description(place)
    elif kind == "missing":
        key = key[:-1]
        words = f"a list of {len(found)}", _words(place.schema(key))
    elif kind == "too_short" and isinstance(found, dict):
        words = "no entries", "one at least"
    elif kind in {"too_short", "too_long"}:
        words = f"a list of {len(found)}", _words(place.schema(key))
    else:
        words = shown(found), _words(place.schema(key))
    return Fault(key, *words)


def _unknown_key(place: _Place) -> Fault:
    assert place.owner is not None  # noqa: S101 - only sections forbid keys
    keys = list(_keys(place.owner))
    what = "section" if place.owner is Station else "key"
    choice = f"one of the {what}s" if len(keys) > 1 else f"only the {what}"
    name = str(place.last)
    return Fault(
        place.key,
        f'unknown {what} "{name}"',
        f"{choice} {', '.join(keys)}{suggestion(name, keys)}",
    )


def _unknown_kind(place: _Place, entry: dict[str, Any], telling: str) -> Fault:
    kinds = [_tag(member) for member in _members(place.type)]
    found = shown(entry[telling]) if telling in entry else "nothing"
    hint = suggestion(str(entry.get(telling, "")), kinds)
    return Fault((*place.key, telling), found, f"one of {listed(kinds)}{hint}")


def _description(place: _Place) -> str:
    what = "section" if place.owner is Station else "key"
    text = " ".join(place.schema(place.key).get("description", "").split())
    text = text.replace("``", "").strip(" .")  # dots before or after it lead to another key
    return f'the {what} "{place.last}"' + (f": {text}" if text else "")


# -------------------------------------------------------------------------- walking along the model


@dataclass(frozen=True, slots=True)
class _Place:
    """Where in the model an error's ``loc`` leads."""

    key: KeyPath
    type: Any
    """What the model says stands there; None where it knows of no such key."""
    owner: type[Section] | None
    """The section the place is in."""
    field: str
    """The key of that section that leads to the place."""

    @classmethod
    def of(cls, loc: tuple[str | int, ...]) -> _Place:
        key: KeyPath = ()
        here: Any = Station
        owner, field = None, ""
        for part in loc:
            if members := _members(here):
                here = next(member for member in members if _tag(member) == part)
                continue
            key = (*key, part)
            here = _bare(here)
            if isinstance(here, type) and issubclass(here, Section):
                owner, field = here, str(part)
                here = _keys(here).get(field)
            else:
                here = _inside(here, part)
        return cls(key, here, owner, field)

    @property
    def last(self) -> str | int:
        return self.key[-1]

    def schema(self, key: KeyPath) -> dict[str, Any]:
        """Return the JSON Schema of a key of the place's section, or of an item of a list there."""
        assert self.owner is not None  # noqa: S101 - every path begins in a section
        schema: dict[str, Any] = _properties(self.owner)[self.field]
        for index in _indices(key):
            schema = _some(schema)
            schema = schema["prefixItems"][index] if "prefixItems" in schema else schema["items"]
        return schema


@cache
def _properties(section: type[Section]) -> dict[str, Any]:
    properties: dict[str, Any] = section.model_json_schema()["properties"]
    return properties


def _keys(section: type[Section]) -> dict[str, Any]:
    """Return the keys of a section, and the type of each."""
    return {field.alias or name: field.annotation for name, field in section.model_fields.items()}


def _indices(key: KeyPath) -> list[int]:
    """Return where in a list, perhaps in one of a list, the last key of a section leads to."""
    indices: list[int] = []
    for part in reversed(key):
        if isinstance(part, str):
            break
        indices.insert(0, part)
    return indices


def _inside(type_: Any, part: str | int) -> Any:
    """Return the type of an entry of a table, or of an item of a list."""
    entries = get_args(type_)
    if isinstance(part, int) and get_origin(type_) is tuple:
        return entries[part]
    return entries[1 if get_origin(type_) is dict else 0]


def _bare(type_: Any) -> Any:
    """Take off what is around a type: annotations, and that it may be left out."""
    while get_origin(type_) is Annotated:
        type_ = get_args(type_)[0]
    if get_origin(type_) in {Union, UnionType}:
        some = [member for member in get_args(type_) if member is not NoneType]
        return _bare(some[0]) if len(some) == 1 else type_
    return type_


def _members(type_: Any) -> tuple[Any, ...]:
    """Return the members of a union, none for any other type."""
    bare = _bare(type_)
    return get_args(bare) if get_origin(bare) in {Union, UnionType} else ()


def _tag(member: Any) -> str:
    """Return what pydantic calls a member of a union."""
    for note in getattr(member, "__metadata__", ()):
        if isinstance(note, Tag):
            return note.tag
    telling = next(name for name in _TELLING if name in member.model_fields)
    return str(get_args(member.model_fields[telling].annotation)[0])


# ---------------------------------------------------------------------------------- JSON Schema


def _words(schema: dict[str, Any]) -> str:
    """Say in words what a JSON Schema asks for."""
    schema = _some(schema)
    if "enum" in schema:
        return f"one of {listed(schema['enum'])}"
    if schema["type"] == "array":
        return _words_of_list(schema)
    if schema.get("format") == "date-time":
        return "a date and time, such as 2026-03-01T10:05:00-07:00, without quotes"
    words = _TYPES[schema["type"]]
    if "exclusiveMinimum" in schema:
        words += f" above {schema['exclusiveMinimum']:.10g}"
    if "minimum" in schema:
        words += f" from {schema['minimum']:.10g} to {schema['maximum']:.10g}"
    if "minLength" in schema:
        words += ", not an empty one"
    return words


def _some(schema: dict[str, Any]) -> dict[str, Any]:
    """Take off that a key may be left out."""
    if "anyOf" in schema:
        return next(one for one in schema["anyOf"] if one.get("type") != "null")
    return schema


def _words_of_list(schema: dict[str, Any]) -> str:
    if "prefixItems" in schema:
        items = [_words_of_item(item) for item in schema["prefixItems"]]
        each = f"each {items[0]}" if len(set(items)) == 1 else f"{' and then '.join(items)}"
        return f"a list of {len(items)}, {each}"
    least, most = schema.get("minItems"), schema.get("maxItems")
    size = "" if least is None else f" of {least}" if least == most else f" of {least} or more"
    return f"a list{size}, each {_words_of_item(schema['items'])}"


def _words_of_item(schema: dict[str, Any]) -> str:
    if "$ref" in schema:
        return "a table"
    return schema.get("description") or _words(schema)


_TYPES = {
    "integer": "a whole number",
    "number": "a number",
    "boolean": "true or false",
    "string": "a text in quotes",
}
