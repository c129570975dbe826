"""What a station says of itself, and how its uplink section becomes broker settings."""

import json
from pathlib import Path

import pytest

from edge import __version__
from edge.health import Condition
from edge.station.model import Uplink
from edge.status import Category
from edge.uplink import announce
from edge.uplink.session import BrokerSettings
from tests.uplink.parts import ash_creek


def test_the_birth_tells_what_a_receiver_needs_to_know() -> None:
    said = json.loads(announce.online(ash_creek(), 1_772_346_600_000))
    channels = said.pop("channels")
    assert said == {
        "state": "online",
        "station": "ash-creek-2",
        "name": "Ash Creek well 2",
        "version": __version__,
        "since": "2026-03-01T06:30:00.000Z",
        "place": {"latitude": 39.76, "longitude": -105.22, "elevation": pytest.approx(1731.264)},
        "health": [],
    }
    assert channels["level"] == {"unit": "m", "shown": "ft", "title": "Water above the transducer"}
    assert channels["flow.rate"]["unit"] == "m3/s"


def test_the_birth_tells_how_the_parts_are() -> None:
    conditions = [
        Condition("journal", Category.NORMAL, "all is well"),
        Condition("clock", Category.OUT_OF_SPECIFICATION, "no time server heard", "kept for later"),
        Condition("bus rs485", Category.FAILURE, "the port is not there", "tried every 5 s"),
    ]
    said = json.loads(announce.online(ash_creek(), 0, conditions))
    assert said["clock"] == {"trusted": False, "found": "no time server heard"}
    assert said["health"] == [
        {
            "part": "clock",
            "category": "out of specification",
            "found": "no time server heard",
            "doing": "kept for later",
        },
        {
            "part": "bus rs485",
            "category": "failure",
            "found": "the port is not there",
            "doing": "tried every 5 s",
        },
    ]
    sound = [Condition("clock", Category.NORMAL, "set by a time server")]
    said = json.loads(announce.online(ash_creek(), 0, sound))
    assert said["clock"] == {"trusted": True, "found": "set by a time server"}
    assert said["health"] == []


def test_a_nameless_station_in_an_unknown_place_goes_by_its_id() -> None:
    bare = ash_creek(name=None, latitude=None, longitude=None, elevation=None)
    said = json.loads(announce.online(bare, 0))
    assert (said["name"], said["place"]) == ("ash-creek-2", {})


def test_units_are_those_of_the_wire() -> None:
    assert announce.units(ash_creek()) == {
        "level": "m",
        "head": "Pa",
        "flow.total": "m3",
        "flow.rate": "m3/s",
        "battery": "V",
        "panel": "V",
        "flow.total.day": "m3",
        "well.depth_to_water": "m",
        "well.elevation": "m",
        "pump.run_time": "s",
        "pump.starts": "count",
        "pump.running": "/",
        "pump.run_time.day": "s",
        "pump.starts.day": "count",
        "drawdown": "m",
        "capacity": "",  # the registry has no name for a flow by a length
    }


def test_topics() -> None:
    assert announce.readings_topic("wells/north", "a") == "wells/north/a/readings"
    assert announce.status_topic("wells/north", "a") == "wells/north/a/status"
    assert announce.gaps_topic("wells/north", "a") == "wells/north/a/gaps"


def test_an_uplink_section_becomes_broker_settings() -> None:
    files = {"ca_file": "ca.pem", "certificate_file": "c.pem", "key_file": "k.pem"}
    section = Uplink(host="b", tls=True, username="u", keep_alive="90 s", protocol="5", **files)
    found = BrokerSettings.from_uplink(section, "ash-creek-2", "p", Path("/etc/x").joinpath)
    assert (found.host, found.port, found.client_id) == ("b", 8883, "ash-creek-2")
    assert (found.username, found.password, found.protocol) == ("u", "p", "5")
    assert found.keep_alive_s == 90
    assert found.tls is not None
    assert found.tls.ca_file == Path("/etc/x/ca.pem")
    assert found.tls.key_file == Path("/etc/x/k.pem")


def test_a_plain_uplink_section_means_no_tls() -> None:
    section = Uplink(host="b", client_id="c")
    found = BrokerSettings.from_uplink(section, "ash-creek-2", None, Path)
    assert (found.port, found.client_id, found.tls) == (1883, "c", None)
