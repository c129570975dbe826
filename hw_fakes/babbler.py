"""Devices that talk without end and servers without manners, each in a thread of its own.

A thread, because what they are for is to see whether the event loop bears with them: one that
shared the loop would be slowed down by the very thing it is to provoke.
"""

from __future__ import annotations

import contextlib
import random
import select
import socket
import threading
from enum import StrEnum
from os import write
from typing import Self

from hw_fakes.ports import PtyPort

_LOOK_UP_EVERY = 0.05


class Babbler:
    """Sends random bytes on a serial port from `start` to `stop`, without being asked.

    In bursts of ``burst`` bytes with ``pause`` real seconds between; without a pause, as fast as
    the port takes them. ``alphabet`` limits the bytes to some.
    """

    def __init__(
        self,
        port: PtyPort,
        *,
        burst: int = 1024,
        pause: float = 0.0,
        alphabet: bytes = bytes(range(256)),
        seed: int = 1,
    ) -> None:
        self.sent = 0
        """Bytes that the port has taken so far."""
        self._port = port
        self._pause = pause
        rng = random.Random(seed)
        self._bursts = [bytes(rng.choices(alphabet, k=burst)) for _ in range(64)]
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def start(self) -> None:
        """Begin to babble."""
        self._thread.start()

    def stop(self) -> None:
        """Fall silent for good. To be called before the port is unplugged."""
        self._stop.set()
        self._thread.join()

    def _run(self) -> None:
        end, turn = self._port.far_end, 0
        while not self._stop.wait(self._pause):
            if not select.select([], [end], [], _LOOK_UP_EVERY)[1]:
                continue
            with contextlib.suppress(BlockingIOError):
                self.sent += write(end, self._bursts[turn % len(self._bursts)])
            turn += 1


class Manners(StrEnum):
    """What a server does with those who connect."""

    HANG_UP = "hang-up"  # closes at once
    SILENT = "silent"  # takes what it is sent, says nothing
    BABBLE = "babble"  # sends random bytes without end


class RudeServer:
    """A TCP server on the loopback interface that keeps to no protocol; use it as a context."""

    host = "127.0.0.1"

    def __init__(self, manners: Manners) -> None:
        self.connections = 0
        """How many have connected so far."""
        self._manners = manners
        self._listener = socket.create_server((self.host, 0))
        self._listener.settimeout(_LOOK_UP_EVERY)
        self.port = int(self._listener.getsockname()[1])
        self._stop = threading.Event()
        self._threads = [threading.Thread(target=self._accept, daemon=True)]

    def __enter__(self) -> Self:
        self._threads[0].start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        for thread in self._threads:
            thread.join()
        self._listener.close()

    def _accept(self) -> None:
        while not self._stop.is_set():
            with contextlib.suppress(TimeoutError):
                connection, _ = self._listener.accept()
                self.connections += 1
                thread = threading.Thread(target=self._serve, args=(connection,), daemon=True)
                self._threads.append(thread)
                thread.start()

    def _serve(self, connection: socket.socket) -> None:
        noise = random.Random(1).randbytes(65_536)
        with connection, contextlib.suppress(ConnectionError):
            connection.settimeout(_LOOK_UP_EVERY)
            while not self._stop.is_set() and self._manners is not Manners.HANG_UP:
                with contextlib.suppress(TimeoutError):
                    if self._manners is Manners.BABBLE:
                        connection.send(noise)
                    elif not connection.recv(4096):
                        return
