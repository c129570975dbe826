"""Outputs on the computer's own GPIO lines, by the library gpiod (the extra ``gpio``).

A line belongs to the program that asked the kernel for it. When that program ends, the kernel may
make it an input again: what it then is, a resistor to ground or supply has to say.
"""

from __future__ import annotations

import contextlib
import errno
from collections.abc import Callable, Hashable
from typing import TYPE_CHECKING

from edge.station.outputs import GpioOutput
from edge.status import Reason

if TYPE_CHECKING:
    from gpiod import LineRequest
    from gpiod.line import Value

_CONSUMER = "livezero"

# A chip or a line that is not there; a file that is no GPIO chip.
_ABSENT = {errno.ENOENT, errno.ENODEV, errno.ENXIO, errno.ENOTTY, errno.EINVAL}
_DENIED = {errno.EACCES, errno.EPERM}


def request_line(settings: GpioOutput, on: bool | None) -> LineRequest:
    """Ask the kernel for a line, as an output that is ``on``; None: as it is, to look at it.

    Raises ImportError without the package gpiod, OSError or ValueError when there is no such line.
    """
    # Imported late: a station without GPIO outputs need not have it.
    from gpiod import LineSettings, request_lines  # noqa: PLC0415
    from gpiod.line import Direction, Value  # noqa: PLC0415

    line = LineSettings(
        direction=Direction.AS_IS if on is None else Direction.OUTPUT,
        active_low=settings.inverted,
        output_value=Value.ACTIVE if on else Value.INACTIVE,
    )
    return request_lines(settings.chip, {settings.line: line}, consumer=_CONSUMER)


class GpioSwitch:
    """A `Switch` (see `edge.field.switches`) for an output on a GPIO line."""

    def __init__(
        self,
        settings: GpioOutput,
        request: Callable[[GpioOutput, bool | None], LineRequest] = request_line,
    ) -> None:
        self._settings = settings
        self._ask_for_line = request
        self._line: LineRequest | None = None

    @property
    def board(self) -> Hashable:
        """See `Switch`."""
        return self._settings.chip, self._settings.line

    async def set(self, on: bool) -> Reason:
        """See `Switch`."""
        try:
            if self._line is None:
                self._line = self._ask_for_line(self._settings, on)
            else:
                self._line.set_value(self._settings.line, _value(on=on))
        except (ImportError, OSError, ValueError) as error:
            await self.close()
            return _why(error)
        return Reason.OK

    async def get(self) -> bool | Reason | None:
        """See `Switch`. A line that is not held yet is looked at and let go."""
        held = self._line is not None
        try:
            line = self._line or self._ask_for_line(self._settings, None)
            try:
                return line.get_value(self._settings.line) is _value(on=True)
            finally:
                if not held:
                    line.release()
        except (ImportError, OSError, ValueError) as error:
            # Not every chip can tell how its outputs are.
            return None if held else _why(error)

    async def close(self) -> None:
        """See `Switch`."""
        line, self._line = self._line, None
        if line is not None:
            with contextlib.suppress(OSError):
                line.release()


def _value(*, on: bool) -> Value:
    from gpiod.line import Value  # noqa: PLC0415 - see `request_line`

    return Value.ACTIVE if on else Value.INACTIVE


def _why(error: Exception) -> Reason:
    if isinstance(error, ImportError):
        return Reason.GPIO_UNSUPPORTED
    number = error.errno if isinstance(error, OSError) else errno.EINVAL
    if number in _DENIED:
        return Reason.GPIO_DENIED
    return Reason.GPIO_ABSENT if number in _ABSENT else Reason.GPIO_UNUSABLE
