"""One file with every kind of everything: it loads, keeps to the schema, and computes."""

import math
import tomllib
from pathlib import Path
from typing import Annotated, Union, get_args, get_origin

import pytest
from jsonschema import Draft202012Validator
from pydantic import BaseModel

from edge.readings import Sample
from edge.station.energy import Climate
from edge.station.loader import load, station_from
from edge.station.model import Channel, Station
from edge.station.schema import json_schema
from edge.station.section import Section
from edge.status import Quality, Reason
from tests.station.toml_as_json import as_an_editor_sees_it

EVERYTHING = Path(__file__).parent / "everything.toml"
NOON = 1_772_391_600_000  # 2026-03-01 12:00 at Ash Creek


@pytest.fixture(scope="module")
def station():
    return load(EVERYTHING)


def sections_in(item):
    """Yield every section of a station, however deep."""
    if isinstance(item, BaseModel):
        yield item
        for name in type(item).model_fields:
            yield from sections_in(getattr(item, name))
    elif isinstance(item, dict):
        for value in item.values():
            yield from sections_in(value)
    elif isinstance(item, list | tuple):
        for value in item:
            yield from sections_in(value)


def sections_of(type_):
    """Yield every kind of section that the model knows of."""
    if get_origin(type_) is Annotated:
        yield from sections_of(get_args(type_)[0])
    elif get_args(type_):
        for one in get_args(type_):
            yield from sections_of(one)
    elif isinstance(type_, type) and issubclass(type_, Section):
        yield type_
        for field in type_.model_fields.values():
            yield from sections_of(field.annotation)


def round_at(station, monotonic, raw):
    now = NOON + round(monotonic * 1000)
    return [(Sample(name, now, monotonic, raw(name)), True) for name in station.measured]


def test_it_has_every_key_there_is(station):
    used = {(type(one), name) for one in sections_in(station) for name in one.model_fields_set}
    known = {(one, name) for one in set(sections_of(Station)) for name in one.model_fields}

    # Of a kind of channel with many keys it is enough that some channel has each of them.
    inherited = {
        (of, name)
        for kind, name in used
        for of in kind.__mro__
        if name in getattr(of, "model_fields", {})
    }
    own = {
        (kind, name)
        for kind, name in known
        if not any(name in getattr(base, "model_fields", {}) for base in kind.__bases__)
    }
    # A file cannot have both of two that exclude each other.
    assert own - inherited == {(Climate, "typical_year")}


def test_it_has_every_kind_of_channel(station):
    (kinds, _) = get_args(Channel)
    assert get_origin(kinds) in {Union, type(int | str)}
    assert {type(channel) for channel in station.channels.values()} == set(get_args(kinds))


def test_it_keeps_to_the_published_schema():
    content = as_an_editor_sees_it(tomllib.loads(EVERYTHING.read_text()))
    assert list(Draft202012Validator(json_schema()).iter_errors(content)) == []


def test_all_of_it_computes(station):
    """Two minutes, the pump running from the second round on; then every channel has a number."""
    room = station.room()
    still = {"pressure": 49932.0, "lift": 12.0, "main": 12.0, "depth": 1500.0, "warmth": 110.0}
    pumped_in_ten_seconds = {"flow": 820.0, "bypass": 2.0, "spill": 900.0}

    def raw(name, number):
        if name in pumped_in_ten_seconds:
            return number * pumped_in_ten_seconds[name]
        if number and name in {"power", "pressure"}:
            return {"power": 1.0, "pressure": 39000.0}[name]
        return {"power": 0.0, "air": 820.0, "battery": 12600.0}.get(name, still.get(name))

    readings = []
    for number in range(13):
        readings += room.take(
            round_at(station, 10.0 * number, lambda n, i=number: raw(n, i))
        ).readings

    assert set(room.channels) == set(station.channels)
    of_stages = {"energy.stage", "energy.voltage"}
    assert {one.name for one in station.series()} == {one.name for one in room.series} | of_stages
    assert {r.series for r in readings} <= {one.name for one in room.series}
    latest = {one.name: value for name in room.channels for one, value in room.latest(name)}
    bad = {name: v.reason for name, v in latest.items() if v.reason.quality is Quality.BAD}
    assert bad == {}
    assert all(math.isfinite(value.number) for value in latest.values())
    for name in room.channels:
        assert all(math.isfinite(step.number) for step in room.explain(name))
    # Two that can be told by hand.
    assert latest["flow.total"].number == pytest.approx(12 * 820 / 98.4 * 0.003785411784)
    assert latest["pump.starts"].number == 1


def test_all_of_it_says_why_there_is_nothing(station):
    room = station.room()

    def silent(name):
        return Sample(name, NOON, 0.0, None, Reason.NO_REPLY)

    room.take([(silent(name), True) for name in station.measured])

    for name in room.channels:
        for series, value in room.latest(name):
            # What adds up stands where it stood.
            if series.name.rpartition(".")[2] not in {"total", "run_time", "starts", "register"}:
                assert (series.name, value.number) == (series.name, None)
                assert value.reason.quality is Quality.BAD


@pytest.mark.parametrize(
    ("after_outage", "reason"),
    [("first-interval", Reason.GAP_IN_TOTAL), ("spread", Reason.ESTIMATED)],
)
def test_pulses_of_an_outage_go_where_the_file_says(after_outage, reason):
    text = EVERYTHING.read_text().replace("first-interval", after_outage)
    before, after = (station_from(text, "everything.toml").room() for _ in range(2))
    first = Sample("flow", NOON + 60_000, 60.0, 1000.0)
    assert after.restore(before.take([(first, True)]).states) == []
    again = Sample("flow", NOON + 3 * 3_600_000 + 60_000, 5.0, 5000.0)
    made = after.take([(again, False)]).readings
    hours = [one.reason for one in made if one.series == "flow.total.hour"]
    assert hours == [Reason.PART_OF_PERIOD, reason, reason]
    totals = [one.reason for one in made if one.series == "flow.total"]
    assert totals == [Reason.COUNTED_WHILE_DOWN]
