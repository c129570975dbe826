"""``livezero outputs`` on simulated relay boards, beside this loop that serves them."""

import asyncio
import json

import gpiod
import pytest
from click.testing import CliRunner
from gpiod.line import Direction, Value

from edge.cli import main
from edge.host.status_socket import serve
from hw_fakes.faults import FaultKind
from hw_fakes.modbus_device import TcpSlave
from hw_fakes.modbus_unit import ModbusUnit
from tests.stations import WELL


def livezero(*arguments):
    return CliRunner().invoke(main, ["outputs", *(str(one) for one in arguments)])


async def livezero_beside(*arguments):
    return await asyncio.to_thread(livezero, *arguments)


STATION = """
[station]
id = "ash-creek-7"

[buses.relays]
kind = "modbus-tcp"
host = "127.0.0.1"
port = PORT
devices.board = { unit = 1, timeout = "60 ms", retries = 0 }

[channels.door]
kind = "value"
bus = "relays"
device = "board"
read = { table = "coil", register = 7, type = "bit" }
range = ["0 V", "1 V"]
sample = "1 min"

[outputs.modem]
title = "Modem"
kind = "coil"
bus = "relays"
device = "board"
register = 0

[outputs.lamp]
kind = "coil"
bus = "relays"
device = "board"
register = 1
feedback = 3
at_rest = "on"
"""

GPIO = """
[outputs.heater]
kind = "gpio"
chip = "/dev/gpiochip0"
line = 17
"""


class Board:
    def __init__(self, directory):
        self.coils, self.stuck = {0: True, 1: False}, False
        self.unit = ModbusUnit(1)
        for n in self.coils:
            self.unit.place_coil(
                n, lambda n=n: self.coils[n], lambda on, n=n: self.coils.update({n: on})
            )
        self.unit.place("discrete", 3, 1, lambda: [self.coils[1] and not self.stuck])
        self.file = directory / "ash-creek-7.toml"


@pytest.fixture
async def board(tmp_path):
    board = Board(tmp_path)
    slave = TcpSlave([board.unit])
    await slave.start()
    board.file.write_text(STATION.replace("PORT", str(slave.port)))
    yield board
    await slave.stop()


def rows(result):
    return {
        row["output"]: (row["told"], row["found"], row["status"])
        for row in json.loads(result.stdout)
    }


async def test_how_the_outputs_are(board):
    result = await livezero_beside(board.file)
    assert result.exit_code == 0
    heads, *lines = [line.split() for line in result.output.splitlines()]
    assert heads[:3] == ["OUTPUT", "TOLD", "FOUND"]
    assert lines[0][:4] == ["modem", "on", "on", "off"]
    assert lines[1][:4] == ["lamp", "off", "off", "on"]
    assert "coil 1 of board, bus relays" in result.output
    assert rows(await livezero_beside(board.file, "--json")) == {
        "modem": ("on", "on", "ok"),
        "lamp": ("off", "off", "ok"),
    }
    assert board.coils == {0: True, 1: False}


async def test_switching_by_hand(board):
    result = await livezero_beside(board.file, "--off", "modem", "--on", "lamp", "--json")
    assert result.exit_code == 0
    assert rows(result) == {"lamp": ("on", "on", "ok"), "modem": ("off", "off", "ok")}
    assert board.coils == {0: False, 1: True}


async def test_a_relay_that_does_not_pull(board):
    board.stuck = True
    result = await livezero_beside(board.file, "--on", "lamp", "--json")
    assert result.exit_code == 1
    assert rows(result) == {"lamp": ("on", "off", "not-as-switched")}


async def test_all_to_their_safe_states(board):
    result = await livezero_beside(board.file, "--rest", "--json")
    assert result.exit_code == 0
    assert rows(result) == {"modem": ("off", "off", "ok"), "lamp": ("on", "on", "ok")}
    assert board.coils == {0: False, 1: True}


async def test_a_dead_board(board):
    board.unit.faults.set(FaultKind.DEAD)
    for option in ("--rest", "--on=lamp", "--json"):
        result = await livezero_beside(board.file, option)
        assert result.exit_code == 1
        assert "no reply within the time-out" in result.output
        assert not result.stderr


def test_a_station_without_outputs():
    result = livezero(WELL, "--rest")
    assert result.exit_code == 0
    assert "has no outputs" in result.output
    assert livezero(WELL, "--json").output == "[]\n"
    result = livezero(WELL, "--on", "modem")
    assert result.exit_code == 2
    assert "expected none: it has none" in result.stderr


async def test_what_makes_no_sense(board):
    for arguments, words in (
        (["--on", "lanp"], "found no output lanp, expected some of modem, lamp"),
        (["--on", "lamp", "--off", "lamp"], "found lamp both on and off"),
        (["--rest", "--off", "lamp"], "found --rest beside --on or --off"),
    ):
        result = livezero(board.file, *arguments)
        assert result.exit_code == 2
        assert words in result.stderr


async def test_not_while_the_daemon_runs(board, tmp_path):
    journal = tmp_path / "journal.sqlite"
    async with serve(journal, dict):
        result = await livezero_beside(board.file, "--rest", "--journal", journal)
    assert result.exit_code == 1
    assert "found the station's daemon running" in result.stderr
    assert board.coils[0]


class Line:
    """Stands in for what the kernel gives: a line that is held until it is let go."""

    def __init__(self):
        self.value, self.log = Value.INACTIVE, []

    def __call__(self, _path, config, consumer):
        ((_, settings),) = config.items()
        if settings.direction is Direction.OUTPUT:
            self.value = settings.output_value
            self.log.append(self.value)
        return self

    def get_value(self, _line):
        return self.value

    def release(self):
        self.log.append("let go")


async def test_a_gpio_line_is_held_until_one_interrupts(board, monkeypatch):
    board.file.write_text(board.file.read_text() + GPIO)
    line = Line()
    monkeypatch.setattr(gpiod, "request_lines", line)
    shown = rows(await livezero_beside(board.file, "--json"))
    assert shown["heater"] == (None, "off", "ok")

    class Interrupted:
        async def wait(self):
            line.log.append("waits")

    monkeypatch.setattr("edge.commands.outputs.stop_on_signals", Interrupted)
    line.log.clear()
    result = await livezero_beside(board.file, "--on", "heater")
    assert result.exit_code == 0
    assert line.log == [Value.ACTIVE, "waits", "let go"]
    assert "heater: held until you interrupt" in result.stderr


async def test_gpio_without_a_chip(board):
    board.file.write_text(board.file.read_text() + GPIO.replace("gpiochip0", "gpiochip99"))
    result = await livezero_beside(board.file, "--rest")
    assert result.exit_code == 1
    assert "the GPIO chip or line is not there" in result.output
    assert board.coils == {0: False, 1: True}  # the others are at rest all the same
