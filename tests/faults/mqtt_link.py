"""A cuttable link that knows MQTT: how many packs are under way, and a cut in the midst of one."""

from __future__ import annotations

import asyncio
import time

from hw_fakes.link import CuttableLink, _Way
from tests.faults.mqtt_frames import PUBACK, PUBLISH, PacketCutter


class _Counted(_Way):
    """A direction that counts what passes; told to, it stops in the midst of a PUBLISH."""

    def __init__(self, counted: int) -> None:
        super().__init__()
        self.count = 0
        """Packets of the type counted that have begun to pass on the latest connection."""
        self.share: float | None = None
        """How much of the next PUBLISH is to pass before the way closes; None for all."""
        self.stopped = asyncio.Event()
        """Set when that has happened."""
        self.counting = asyncio.Event()
        """Set whenever a packet is counted."""
        self._counted = counted

    async def carry(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        cutter, begin = PacketCutter(), 0
        while data := await reader.read(65536):
            await self.open.wait()
            stop_at = None
            for packet in cutter.feed(data):
                if packet.type == self._counted and (packet.qos or packet.type != PUBLISH):
                    self.count += 1
                    self.counting.set()
                if packet.type == PUBLISH and self.share is not None and stop_at is None:
                    stop_at = packet.start + max(1, int(self.share * packet.size))
            # The packet may go on in the next piece of the stream; then it is cut where they meet.
            here = len(data) if stop_at is None else min(len(data), max(0, stop_at - begin))
            await self._write(writer, data[:here])
            if stop_at is not None:
                self.share = None
                self.open.clear()
                self.stopped.set()
                await self.open.wait()
                await self._write(writer, data[here:])
            begin += len(data)
        writer.write_eof()

    async def _write(self, writer: asyncio.StreamWriter, data: bytes) -> None:
        self.passed += len(data)
        writer.write(data)
        await writer.drain()


class MqttLink(CuttableLink):
    """A `CuttableLink` for the one connection of a station to its broker."""

    def __init__(self, target_host: str, target_port: int) -> None:
        super().__init__(target_host, target_port)
        self._out: _Counted = _Counted(PUBLISH)
        self._back: _Counted = _Counted(PUBACK)
        self._accepted = 0.0

    @property
    def under_way(self) -> int:
        """How many messages have gone to the broker whose acknowledgement has not come back."""
        return self._out.count - self._back.count

    async def until_under_way(self) -> None:
        """Return when a message is under way."""
        while not self.under_way:
            self._out.counting.clear()
            await self._out.counting.wait()

    async def has_lasted(self, seconds: float) -> None:
        """Return when the latest connection is so old."""
        await asyncio.sleep(self._accepted + seconds - time.monotonic())

    async def stop_in_packet(self, share: float) -> None:
        """Let ``share`` of the next PUBLISH pass, then nothing more that goes out; then return."""
        self._out.stopped.clear()
        self._out.share = share
        await self._out.stopped.wait()

    def _accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._out.count = self._back.count = 0
        self._accepted = time.monotonic()
        super()._accept(reader, writer)
