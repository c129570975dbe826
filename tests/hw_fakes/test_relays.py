import pytest
from pydantic import TypeAdapter

from edge.station.outputs import Output
from edge.status import Reason
from hw_fakes.clock import ManualClock
from hw_fakes.relays import GpioLine, Relays, gpio_name

PUMP = {"kind": "coil", "bus": "rs485", "device": "relays", "register": 0, "warm_up": "10 s"}
LAMP = {"kind": "gpio", "chip": "/dev/gpiochip0", "line": 17}
HORN = LAMP | {"line": 27, "inverted": True}


def output(section):
    return TypeAdapter(Output).validate_python(section)


@pytest.fixture
def outputs():
    return {"pump": output(PUMP), "lamp": output(LAMP), "horn": output(HORN)}


@pytest.fixture
def clock():
    return ManualClock()


def test_without_power_they_are_off_but_for_those_on_their_resting_contact(outputs, clock):
    relays = Relays(outputs, clock)
    assert relays.states == {"pump": False, "lamp": False, "horn": True}
    for name in outputs:
        relays.command(name, on=not relays.states[name])
    relays.lose_power()
    assert relays.states == {"pump": False, "lamp": False, "horn": True}


def test_those_who_want_to_know_are_told_before_and_after(outputs, clock):
    told = []
    relays = Relays(
        outputs,
        clock,
        lambda: told.append(("before", relays.states["pump"])),
        lambda name, on: told.append((name, on)),
    )
    relays.command("pump", on=True)
    relays.command("pump", on=True)
    assert told == [("before", False), ("pump", True)]
    assert relays.changes == 1


async def test_an_output_warms_up_from_when_it_was_switched_on(outputs, clock):
    relays = Relays(outputs, clock)
    assert relays.warm_share("pump") == 0
    relays.command("pump", on=True)
    await clock.advance(4)
    relays.command("pump", on=True)
    assert relays.warm_share("pump") == 0.4
    await clock.advance(6)
    assert relays.warm_share("pump") == 1
    assert relays.warm_share("horn") == 1  # it has been on for ever
    relays.command("pump", on=False)
    assert relays.warm_share("pump") == 0


def test_an_output_may_stick_whatever_it_is_told(outputs, clock):
    relays = Relays(outputs, clock)
    relays.force("pump", on=True)
    assert relays.states["pump"]
    assert not relays.commanded("pump")
    relays.command("pump", on=True)
    relays.command("pump", on=False)
    assert relays.states["pump"]
    relays.force("pump", on=None)
    assert not relays.states["pump"]


async def test_a_line_of_the_computers_own_switches_one(outputs, clock):
    relays = Relays(outputs, clock)
    line = GpioLine(relays, gpio_name(outputs, output(HORN)))
    assert await line.set(False) is Reason.OK
    assert relays.states == {"pump": False, "lamp": False, "horn": False}
    relays.force("horn", on=True)
    assert await line.get() is False
    await line.close()
    assert relays.states["horn"]
