"""GPIO outputs: the library's own classes, with a stand-in for the kernel's lines."""

import errno
import sys

import gpiod
import pytest
from gpiod.line import Direction, Value

from edge.field.gpio import GpioSwitch
from edge.station.outputs import GpioOutput
from edge.status import Reason


def output(**more):
    return GpioOutput.model_validate(
        {"kind": "gpio", "chip": "/dev/gpiochip0", "line": 17, "at_rest": "off"} | more
    )


class Lines:
    """Stands in for the kernel: takes what `gpiod.request_lines` takes, gives a request object."""

    def __init__(self):
        self.level = None
        self.error = None
        self.requests = []
        self.released = 0

    def __call__(self, path, config, consumer):
        if self.error:
            raise self.error
        ((self.line, self.settings),) = config.items()
        self.requests.append((path, self.line, self.settings.direction, consumer))
        if self.settings.direction is Direction.OUTPUT:
            self._drive(self.settings.output_value)
        return self

    def set_value(self, line, value):
        if self.error:
            raise self.error
        assert line == self.line
        self._drive(value)

    def get_value(self, line):
        if self.error:
            raise self.error
        assert line == self.line
        high = self.level == "high"
        return Value.ACTIVE if high != self.settings.active_low else Value.INACTIVE

    def release(self):
        self.released += 1

    def _drive(self, value):
        self.level = "high" if (value is Value.ACTIVE) != self.settings.active_low else "low"


@pytest.fixture
def lines(monkeypatch):
    lines = Lines()
    monkeypatch.setattr(gpiod, "request_lines", lines)
    return lines


async def test_a_line_is_asked_for_once_and_then_driven(lines):
    switch = GpioSwitch(output())
    assert await switch.set(True) is Reason.OK
    assert lines.level == "high"
    assert await switch.set(False) is Reason.OK
    assert lines.level == "low"
    assert await switch.get() is False
    assert lines.requests == [("/dev/gpiochip0", 17, Direction.OUTPUT, "livezero")]
    await switch.close()
    await switch.close()
    assert lines.released == 1


async def test_an_inverted_line_is_low_for_on(lines):
    switch = GpioSwitch(output(inverted=True))
    await switch.set(True)
    assert lines.level == "low"
    assert await switch.get() is True
    await switch.set(False)
    assert lines.level == "high"


async def test_a_line_that_is_not_held_is_only_looked_at(lines):
    lines.level = "high"
    assert await GpioSwitch(output()).get() is True
    assert lines.requests == [("/dev/gpiochip0", 17, Direction.AS_IS, "livezero")]
    assert lines.level == "high"
    assert lines.released == 1


@pytest.mark.parametrize(
    ("error", "reason"),
    [
        (FileNotFoundError(errno.ENOENT, "no such file"), Reason.GPIO_ABSENT),
        (OSError(errno.ENODEV, "no such device"), Reason.GPIO_ABSENT),
        (ValueError("line offset out of range"), Reason.GPIO_ABSENT),
        (PermissionError(errno.EACCES, "permission denied"), Reason.GPIO_DENIED),
        (OSError(errno.EBUSY, "device or resource busy"), Reason.GPIO_UNUSABLE),
    ],
)
async def test_what_is_wrong_is_a_reason(lines, error, reason):
    lines.error = error
    switch = GpioSwitch(output())
    assert await switch.set(True) is reason
    assert await switch.get() is reason
    lines.error = None
    assert await switch.set(True) is Reason.OK


async def test_a_chip_that_goes_away_is_asked_for_anew(lines):
    switch = GpioSwitch(output())
    await switch.set(True)
    lines.error = OSError(errno.ENODEV, "no such device")
    assert await switch.get() is None  # a chip may not tell how its outputs are
    assert await switch.set(False) is Reason.GPIO_ABSENT
    lines.error = None
    assert await switch.set(False) is Reason.OK
    assert len(lines.requests) == 2


async def test_without_the_package(monkeypatch):
    monkeypatch.setitem(sys.modules, "gpiod", None)
    switch = GpioSwitch(output())
    assert await switch.set(True) is Reason.GPIO_UNSUPPORTED
    assert await switch.get() is Reason.GPIO_UNSUPPORTED
    assert "the extra gpio" in Reason.GPIO_UNSUPPORTED.text


# The library itself, against paths that are no GPIO chips.
async def test_the_real_library_on_what_is_no_chip(tmp_path):
    file = tmp_path / "gpiochip0"
    for made in (False, True):
        if made:
            file.touch()
        switch = GpioSwitch(output().model_copy(update={"chip": str(file)}))
        assert await switch.set(True) is Reason.GPIO_ABSENT
        assert await switch.get() is Reason.GPIO_ABSENT
