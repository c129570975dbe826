"""Simulated serial devices that speak in lines of text, when asked or unasked."""

from __future__ import annotations

import asyncio
import contextlib
import random
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from edge.clock import Clock
from hw_fakes.checksums import checksum_digits
from hw_fakes.faults import LINE_FAULTS, FaultKind, FaultSwitch, Transmission
from hw_fakes.ports import PtyPort
from hw_fakes.sending import Sender

_NUMBER = re.compile(r"[-+]?\d+\.\d+")
_WORD = "ERR"


@dataclass
class LineUnit:
    """One device. ``render`` gives the text of a line, without check value and terminator.

    With ``request`` it speaks when it hears that; without, every ``interval`` seconds of the
    clock. ``checksum`` is "none", "xor", "sum" or "crc16", as in the station file.
    """

    render: Callable[[], str]
    request: str | None = None
    terminator: str = "\r\n"
    checksum: str = "none"
    checksum_mark: str = ""
    checksum_skip: int = 0
    interval: float = 1.0
    requests: int = 0
    """How many requests have reached it (or how often it spoke unasked)."""
    faults: FaultSwitch = field(init=False)

    def __post_init__(self) -> None:
        has_no = {FaultKind.BAD_CHECKSUM} if self.checksum == "none" else set()
        self.faults = FaultSwitch(LINE_FAULTS - has_no)
        self._held: list[Transmission] = []
        self._noise = random.Random(self.request or "")

    def frame(self, text: str, *, spoilt: bool = False) -> bytes:
        """Return the line as it goes on the wire; ``spoilt``, with a check value that is wrong."""
        body = text.encode("latin-1")
        digits = checksum_digits(self.checksum, body[self.checksum_skip :]).encode()
        if spoilt:
            digits = digits[:-1] + (b"1" if digits.endswith(b"0") else b"0")
        mark = self.checksum_mark.encode("latin-1") if digits else b""
        return body + mark + digits + self.terminator.encode("latin-1")

    def speak(self) -> list[Transmission]:
        """Return what the device sends when its moment has come, faults and all."""
        self.requests += 1
        held, self._held = self._held, []
        fault = self.faults.strike()
        text = self.render()
        if fault is None:
            return [*held, Transmission(self.frame(text))]
        if fault.kind is FaultKind.LATE:
            self._held = [Transmission(self.frame(text))]
            return held
        if fault.kind is FaultKind.DEAD:
            return held
        if fault.kind is FaultKind.SLOW:
            return [*held, Transmission(self.frame(text), fault.seconds)]
        if fault.kind is FaultKind.BAD_CHECKSUM:
            line = self.frame(text, spoilt=True)
        elif fault.kind is FaultKind.TEXT:
            line = self.frame(_NUMBER.sub(_WORD, text))
        elif fault.kind is FaultKind.SHORT:
            line = self.frame(text)
            line = line[: len(line) // 2]
        else:
            line = self._noise.randbytes(self._noise.randint(1, 40))
        return [*held, Transmission(line)]


def find_requests(heard: bytes, requests: Sequence[bytes]) -> tuple[list[int], bytes]:
    """Find requests in a stream; return the index of each, and the rest that may become one.

    Where one request begins like another, the longest that is there in full is meant. Bytes that
    begin no request are passed over.
    """
    found = []
    while heard:
        complete = [i for i, request in enumerate(requests) if heard.startswith(request)]
        if complete:
            longest = max(complete, key=lambda i: len(requests[i]))
            found.append(longest)
            heard = heard[len(requests[longest]) :]
        elif any(request.startswith(heard) for request in requests):
            break
        else:
            heard = heard[1:]
    return found, heard


class LineSlave:
    """All the line devices on one serial port; what they are asked tells them apart.

    Those that talk unasked do so from `start` to `close`.
    """

    def __init__(self, port: PtyPort, units: Sequence[LineUnit], clock: Clock) -> None:
        self._clock = clock
        self._talkers = [unit for unit in units if unit.request is None]
        self._askable = [
            (unit.request.encode("latin-1"), unit) for unit in units if unit.request is not None
        ]
        self._sender = Sender(port.write)
        self._heard = b""
        self._tasks: list[asyncio.Task[None]] = []
        port.attach(self._bytes)

    def start(self) -> None:
        """Let those talk that talk unasked."""
        self._tasks = [asyncio.create_task(self._talk(unit)) for unit in self._talkers]

    async def close(self) -> None:
        """Silence the devices."""
        self._sender.cancel()
        tasks, self._tasks = self._tasks, []
        for task in tasks:
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await task

    def _bytes(self, data: bytes) -> None:
        requests = [request for request, _ in self._askable]
        found, self._heard = find_requests(self._heard + data, requests)
        for index in found:
            self._sender.send(self._askable[index][1].speak())

    async def _talk(self, unit: LineUnit) -> None:
        while True:
            self._sender.send(unit.speak())
            await self._clock.sleep(unit.interval)
