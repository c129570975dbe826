"""The published JSON Schema, judged by the jsonschema library."""

import tomllib
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from edge.station.loader import load
from edge.station.schema import json_schema
from tests.station.toml_as_json import as_an_editor_sees_it

CONFIG = Path(__file__).parents[2] / "config"
BROKEN = Path(__file__).parent / "broken"


@pytest.fixture(scope="module")
def validator():
    return Draft202012Validator(json_schema())


def test_the_schema_is_one():
    schema = json_schema()

    Draft202012Validator.check_schema(schema)
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert schema["title"] == "livezero station file"


@pytest.mark.parametrize("path", sorted(CONFIG.glob("*.toml")), ids=lambda path: path.stem)
def test_every_example_keeps_to_it(validator, path):
    load(path)
    content = as_an_editor_sees_it(tomllib.loads(path.read_text()))
    assert list(validator.iter_errors(content)) == []


@pytest.mark.parametrize(
    "name",
    [
        "unknown_key",
        "unknown_section",
        "missing_unit",
        "register_out_of_range",
        "id_with_a_slash",
        "device_without_unit",
        "no_channels",
    ],
)
def test_a_file_broken_in_structure_breaks_it(validator, name):
    assert not validator.is_valid(tomllib.loads((BROKEN / f"{name}.toml").read_text()))


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("[channels.level]", "[channels.Level]"),
        ('kind = "loop"', 'kind = "loups"'),
        ("baud = 19200", 'baud = "19200"'),
        ("counts = [0, 65535]", "counts = [0]"),
        ('framing = "8N1"', 'framing = "8-N-1"'),
        ('{ field = "battery" }', '{ field = "battery", register = 1 }'),
    ],
)
def test_so_does_a_file_broken_in_a_single_value(validator, example, old, new):
    assert old in example
    assert validator.is_valid(tomllib.loads(example))
    assert not validator.is_valid(tomllib.loads(example.replace(old, new, 1)))


def test_every_key_is_described_and_defaults_are_as_a_file_has_them():
    schema = json_schema()
    sections = [schema, *schema["$defs"].values()]
    properties = {
        (section.get("title"), key): found
        for section in sections
        for key, found in section["properties"].items()
    }

    # What can have but one value says which section it is, and that is described.
    assert not [
        key
        for key, found in properties.items()
        if "description" not in found and "const" not in found
    ]
    assert not [section for section in sections if not section.get("description")]
    assert properties["JournalSettings", "keep"]["default"] == "400 d"
    assert properties["LoopChannel", "signal"]["default"] == ["0 mA", "1 mA"]
    assert properties["ModbusTcpBus", "port"]["default"] == 502
