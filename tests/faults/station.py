"""The rig: a station in a process of its own, and all that is around it in this one.

Theory of operation. The field (a simulated well, its meters and serial lines), the link, the broker
and the receiver outlive the station: they belong to the rig, and the counters in the field go on
counting while the station is dead. So what the station says at last can be held against what the
meters really gave.

    simulated hardware ══ptys══ livezero run ──MqttLink──► mosquitto ──► Receiver ──► Arrivals

The field has a clock of its own. It stands still, with the pump at rest, until the station has read
its counters once (`Rig.let_flow`), and again at the end (`Rig.settle`), so that the last pulse can
be polled and the comparison is exact to the pulse.

The broker keeps nothing for a receiver that is away. A scenario that stops the broker must see to
it that the receiver has caught up (`Receiver.catch_up`) and that the link is cut meanwhile.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable
from pathlib import Path

from edge.clock import SystemClock
from edge.station.loader import load
from edge.station.measured import PulseChannel
from edge.station.model import LineBus, ModbusRtuBus, Station
from edge.uplink.receiver import Receiver
from hw_fakes.hardware import Hardware
from hw_fakes.startable import Startable
from hw_fakes.world import World
from tests.conftest import Mosquitto
from tests.faults.arrivals import Arrivals
from tests.faults.audit import Audit, audit
from tests.faults.field_clock import FieldClock
from tests.faults.ledger import Ledger
from tests.faults.mqtt_link import MqttLink
from tests.faults.office import Office
from tests.faults.process import EndedError, StationProcess
from tests.stations import MARCH, WELL

METER = "flow"
TOTAL = f"{METER}.total"

# The field lives faster than the station, and its meter pulses faster than a real one.
_MOST_FLOW = "600 gpm"

_SAMPLE = "200 ms"

# Generous: on a busy machine everything takes its time. In seconds.
_ARRIVES_WITHIN_S = 60.0
_CLOSING_RUNS = 3

# A total stamped so much later than the field was held was surely read after that, in ms.
_SURELY_AFTER_MS = 300

_DAY_MS = 86_400_000

Edit = Callable[[str], str]
"""Changes the text of a station file."""


class Rig(Startable):
    """A station that may be killed, and everything around it that may not.

    ``directory`` must exist and be the rig's own. ``edit`` changes the station file's text before
    it is used. The station is not started with the rig.
    """

    def __init__(
        self,
        directory: Path,
        seed: int,
        *,
        station_id: str = "ash-creek-2",
        edit: Edit = str,
    ) -> None:
        self.station_id = station_id
        self.file = directory / "well.toml"
        self.journal = directory / "well.sqlite"
        self.process: StationProcess | None = None
        """The station's latest run."""
        self.clock = FieldClock(MARCH)
        """Of the field."""
        self.world = World(seed, MARCH)
        self.hardware: Hardware
        """The devices of the field; once started."""
        self.plan: Station
        """The station as its file has it, but for the ports; once started."""
        self._office = Office(station_id, directory, make_link=MqttLink, seed=seed)
        self._directory = directory
        self._edit = edit
        self._undo = contextlib.AsyncExitStack()

    async def start(self) -> None:
        """Start the broker, the receiver, the link and the field."""
        async with contextlib.AsyncExitStack() as stack:
            await stack.enter_async_context(self._office)
            text = self._text()
            self.file.write_text(text, encoding="utf-8")
            self.plan = load(self.file)
            self.hardware = Hardware(self.plan, self.world, self.clock, self._directory)
            await stack.enter_async_context(self.hardware)
            self.file.write_text(self._on_ports(text), encoding="utf-8")
            stack.push_async_callback(self._clear_station_away)
            self._undo = stack.pop_all()

    async def stop(self) -> None:
        """End everything, whatever state it is in."""
        await self._undo.aclose()

    # ------------------------------------------------------------------------------ the station

    async def start_station(self) -> StationProcess:
        """Start the daemon; return at once."""
        self.process = await StationProcess.start(self.file, self.journal)
        return self.process

    async def run_station(self) -> StationProcess:
        """Start the daemon; return when it runs. Raises EndedError when it does not."""
        process = await self.start_station()
        await process.until_running()
        return process

    async def news(self) -> None:
        """Wait until a total read after this call has arrived. Raises TimeoutError."""
        now = SystemClock().utc_ms() + _SURELY_AFTER_MS
        if not await self.arrivals.until(lambda: self._total_after(now), _ARRIVES_WITHIN_S):
            raise TimeoutError(f"no total has arrived for {_ARRIVES_WITHIN_S:g} s")

    # ---------------------------------------------------------------------------- what surrounds

    @property
    def broker(self) -> Mosquitto:
        """The broker, which may be stopped and started."""
        return self._office.broker

    @property
    def link(self) -> MqttLink:
        """Between station and broker; once started."""
        link = self._office.link
        assert isinstance(link, MqttLink)
        return link

    @property
    def receiver(self) -> Receiver:
        """At the broker; once started."""
        return self._office.receiver

    @property
    def arrivals(self) -> Arrivals:
        """What the receiver has got."""
        return self._office.arrivals

    async def receiver_listens(self) -> None:
        """Wait until the receiver is subscribed. Raises TimeoutError."""
        await self._office.receiver_listens()

    def let_flow(self) -> None:
        """Let the field's time go on from the pump's first start, unless it goes on already.

        Not before a total has arrived: what flows before the first count nobody can know.
        """
        first = self.world.runs(MARCH, MARCH + _DAY_MS)[0]
        self.clock.go(round(first.start * 1000))

    @property
    def pulses_of_the_field(self) -> int:
        """Pulses that the field's meter has given so far."""
        return self.hardware.pulses(METER)

    @property
    def pulses_of_the_station(self) -> int:
        """Pulses in the last total that has arrived."""
        latest = self.arrivals.latest.get(TOTAL)
        if latest is None or latest.value is None:
            return 0
        channel = self.plan.channels[METER]
        assert isinstance(channel, PulseChannel)
        return round(latest.value / channel.meter().volume_per_pulse)

    @property
    def recognised(self) -> int:
        """Readings that came again and were recognised."""
        return sum(books.duplicates for books in self.receiver.library.books.values())

    # ---------------------------------------------------------------------------------- the end

    async def settle(self) -> Audit:
        """Hold the field still, let the running station say the last of it, stop it, and compare.

        What could not be sent in time is given another run of the station to be sent in. Raises
        EndedError, TimeoutError and JournalError.
        """
        self.clock.hold()
        for _ in range(_CLOSING_RUNS):
            assert self.process
            await self.news()
            if code := await self.process.stop():
                raise EndedError(f"the daemon, told to stop, ended with {code}")
            await self.receiver_listens()
            await self.receiver.catch_up()
            found = await asyncio.to_thread(audit, self.journal, self.arrivals.readings)
            if not found.unsent:
                break
            await self.run_station()
        return found

    async def close(self, ledger: Ledger) -> None:
        """`settle`, and enter what is found; sums up where the ledger has entries already."""
        found = await self.settle()
        ledger.journalled += found.journalled
        ledger.arrived += len(self.arrivals.readings)
        ledger.lost += found.lost
        ledger.doubled += self.arrivals.doubled
        pulses = self.pulses_of_the_field, self.pulses_of_the_station
        ledger.pulses_lost += abs(pulses[0] - pulses[1])
        ledger.complaints += found.complaints()
        if missing := sum(len(books.gaps()) for books in self.receiver.library.books.values()):
            ledger.complaints.append(f"{missing} runs of numbers are missing in the books")
        if malformed := self.receiver.library.malformed:
            ledger.complaints.append(f"{malformed} messages could not be read")
        for name, more in (
            ("pulses_world", pulses[0]),
            ("pulses_station", pulses[1]),
            ("duplicates_recognised", self.recognised),
        ):
            before = ledger.measures.get(name, 0)
            assert isinstance(before, int)
            ledger.measures[name] = before + more

    # ------------------------------------------------------------------------------------- parts

    def _total_after(self, utc_ms: int) -> bool:
        latest = self.arrivals.latest.get(TOTAL)
        return latest is not None and latest.value is not None and latest.utc_ms > utc_ms

    def _text(self) -> str:
        """Return the example's text: paced up, and publishing to this rig's broker."""
        head, _, _ = WELL.read_text(encoding="utf-8").partition("[uplink]")
        for old, new in (
            ('id = "ash-creek-2"', f'id = "{self.station_id}"'),
            ('sample = "1 min"', f'sample = "{_SAMPLE}"'),
            ('record = "5 min"', 'record = "1 s"'),
            ('"30 gpm"', f'"{_MOST_FLOW}"'),
        ):
            assert old in head, old
            head = head.replace(old, new)
        return self._edit(
            f'{head}[clock]\ntrust = "plausible"\n\n[uplink]\nhost = "127.0.0.1"\n'
            f'port = {self.link.port}\npublish = "1 s"\npack_readings = 20\n'
        )

    def _on_ports(self, text: str) -> str:
        """Return the text with the ports where the simulated devices are."""
        for name, bus in self.plan.buses.items():
            moved = self.hardware.station.buses[name]
            assert isinstance(bus, ModbusRtuBus | LineBus)
            assert isinstance(moved, ModbusRtuBus | LineBus)
            text = text.replace(bus.port, moved.port)
        return text

    async def _clear_station_away(self) -> None:
        if self.process:
            await self.process.clear_away()
