"""What the stages go by is read as long as there are stages, however it is come by."""

import pytest

from edge.station.faults import StationFileError
from edge.station.loader import station_from

WELL = """
[station]
id = "ash-creek-9"

[buses.charger]
kind = "modbus-rtu"
port = "/dev/serial/by-id/usb-charger"

[buses.charger.devices.controller]
unit = 1

[buses.box]
kind = "modbus-rtu"
port = "/dev/serial/by-id/usb-box"

[buses.box.devices.probe]
unit = 1

[buses.relays]
kind = "modbus-rtu"
port = "/dev/serial/by-id/usb-relays"

[buses.relays.devices.board]
unit = 1

[outputs.sensors]
kind = "coil"
bus = "relays"
device = "board"
register = 0

[outputs.lamp]
kind = "coil"
bus = "relays"
device = "board"
register = 1

[channels.terminals]
kind = "value"
bus = "charger"
device = "controller"
read = { table = "input", register = 0 }
range = ["0 V", "1 V"]
sample = "1 min"

[channels.lead]
kind = "value"
bus = "box"
device = "probe"
read = { table = "input", register = 0 }
range = ["0 V", "1 V"]
sample = "1 min"

[channels.battery]
kind = "difference"
of = ["terminals", "lead"]

[channels.warmth]
kind = "value"
bus = "box"
device = "probe"
read = { table = "input", register = 1 }
range = ["0 degC", "1 degC"]
sample = "1 min"

[channels.level]
kind = "value"
bus = "box"
device = "probe"
read = { table = "input", register = 2 }
range = ["0 ft", "1 ft"]
sample = "2 h"
supply = "sensors"

[energy]
voltage = "battery"
lost_after = "1 h"

[[energy.stages]]
name = "lean"
cutoff = "12.1 V"
restore = "12.6 V"
off = ["lamp"]
"""

OF_LEAD = 'sample = "1 min"\n\n[channels.battery]'
LEAN_OFF = 'off = ["lamp"]'
VOLTAGE = 'voltage = "battery"'


def said_of(*changes):
    """Return what is said of the file with these pieces changed: (key, found, expected)."""
    text = WELL
    for old, new in changes:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    try:
        station_from(text, "station.toml")
    except StationFileError as error:
        return [(fault.key, fault.found, fault.expected) for fault in error.faults]
    return []


def test_a_computed_voltage_is_no_fault_in_itself():
    assert said_of() == []


@pytest.mark.parametrize(("bus", "channel"), [("charger", '"terminals"'), ("box", '"lead"')])
def test_a_stage_may_not_stop_a_bus_that_a_computed_voltage_comes_from(bus, channel):
    assert said_of((LEAN_OFF, f'stop_buses = ["{bus}"]')) == [
        (
            "energy.stages[0].stop_buses[0]",
            f'"{bus}", which reads {channel}',
            "it polled: stages go by that",
        )
    ]


def test_a_stage_may_not_switch_off_what_supplies_a_part_of_a_computed_voltage():
    assert said_of(
        (OF_LEAD, f'supply = "sensors"\n{OF_LEAD}'), (LEAN_OFF, 'off = ["lamp", "sensors"]')
    ) == [
        (
            "energy.stages[0].off[1]",
            '"sensors", which supplies "lead"',
            "it on: stages go by that",
        )
    ]


def test_no_part_of_a_computed_voltage_may_be_sampled_too_seldom_to_be_known():
    assert said_of((OF_LEAD, OF_LEAD.replace("1 min", "1 h"))) == [
        (
            "energy.lost_after",
            '"1 h"',
            'longer than the sampling interval of "lead", "1 h"',
        )
    ]
    assert said_of((OF_LEAD, OF_LEAD.replace("1 min", "59 min"))) == []


def test_a_voltage_computed_from_a_computed_one_is_followed_down_to_the_devices():
    twice = (
        '[channels.twice]\nkind = "sum"\nof = ["battery", "lead"]\n\n[energy]\nvoltage = "twice"'
    )
    assert said_of(("[energy]\n" + VOLTAGE, twice), (LEAN_OFF, 'stop_buses = ["charger"]')) == [
        (
            "energy.stages[0].stop_buses[0]",
            '"charger", which reads "terminals"',
            "it polled: stages go by that",
        )
    ]


def test_computed_in_a_circle_is_told_as_such():
    circle = '[channels.a]\nkind = "sum"\nof = ["b", "lead"]\n\n'
    circle += '[channels.b]\nkind = "sum"\nof = ["a", "lead"]\n\n[energy]\nvoltage = "a"'
    keys = [key for key, _, _ in said_of(("[energy]\n" + VOLTAGE, circle))]
    assert keys == ["channels.a.of[0]", "channels.b.of[0]"]


# ------------------------------------------------------------------------------ its temperature

MEASURED = (VOLTAGE, 'voltage = "terminals"\ntemperature = "warmth"')
"""The voltage from the charger alone, so that what is said of the box is for the temperature."""


def test_a_stage_may_not_stop_the_bus_of_the_batterys_temperature():
    assert said_of(MEASURED) == []
    assert said_of(MEASURED, (LEAN_OFF, 'stop_buses = ["box"]')) == [
        (
            "energy.stages[0].stop_buses[0]",
            '"box", which reads "warmth"',
            "it polled: stages go by that",
        )
    ]


def test_a_stage_may_not_switch_off_what_supplies_the_batterys_temperature():
    changes = [MEASURED, ('range = ["0 degC"', 'supply = "sensors"\nrange = ["0 degC"')]
    assert said_of(*changes) == []
    assert said_of(*changes, (LEAN_OFF, 'off = ["sensors"]')) == [
        (
            "energy.stages[0].off[0]",
            '"sensors", which supplies "warmth"',
            "it on: stages go by that",
        )
    ]


def test_what_the_stages_do_not_go_by_may_be_shed():
    assert said_of(MEASURED, (LEAN_OFF, 'off = ["sensors", "lamp"]')) == []
    only_charger = (VOLTAGE, 'voltage = "terminals"')
    assert said_of(only_charger, (LEAN_OFF, 'stop_buses = ["box"]')) == []
