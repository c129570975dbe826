"""A bench run: what it is to be, and how it stands."""

from __future__ import annotations

from collections.abc import Callable, Coroutine, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time
from time import monotonic
from zoneinfo import ZoneInfo

from edge.clock import Clock
from edge.daemon import Daemon
from edge.station.model import Station
from edge.uplink.receiver import Receiver
from hw_fakes.computer import Computer
from hw_fakes.hardware import Hardware
from hw_fakes.link import CuttableLink
from hw_fakes.power import SolarPower
from hw_fakes.sky import Weather
from hw_fakes.trace import Trace
from hw_fakes.well import DAY_S

LINK_CUT_AT, BROKER_RESTART_AT = 0.4, 0.7
"""When mishaps happen in a run that has them, as shares of it."""


@dataclass(frozen=True, slots=True)
class BenchPlan:
    """What a run is to be. Times of mishaps are shares of the run, from 0 to 1."""

    station: Station
    days: float = 1.0
    speed: float = 1440.0
    seed: int = 1
    broker: tuple[str, int] | None = None
    """Host and port of a broker of one's own; the embedded one by default."""
    dead: Sequence[tuple[str, str]] = ()
    """Bus and name of devices that never answer."""
    weather: Weather = "fair"
    link_cut_at: float | None = LINK_CUT_AT
    """None for a run without."""
    link_cut_s: float = 3600.0
    broker_restart_at: float | None = BROKER_RESTART_AT
    """None for a run without."""
    first_day: date = date(2026, 3, 1)
    """The run begins with this day, where the station is."""

    @property
    def start_utc_ms(self) -> int:
        """When the run begins."""
        zone = ZoneInfo(self.station.station.timezone)
        return round(datetime.combine(self.first_day, time(), zone).timestamp() * 1000)

    @property
    def end_utc_ms(self) -> int:
        """When the run ends."""
        return self.start_utc_ms + round(self.days * DAY_S * 1000)

    def local(self, utc_ms: float) -> str:
        """Return a time as it is where the station is."""
        zone = ZoneInfo(self.station.station.timezone)
        return f"{datetime.fromtimestamp(utc_ms / 1000, zone):%Y-%m-%d %H:%M}"


@dataclass(slots=True)
class BenchState:
    """A run as it stands, for whoever shows it."""

    plan: BenchPlan
    clock: Clock
    still: Clock
    """The world's: it ends with the run."""
    hardware: Hardware
    power: SolarPower
    receiver: Receiver
    link: CuttableLink
    broker_name: str
    computer: Computer = field(init=False)
    trace: Trace = field(init=False)
    events: list[str] = field(default_factory=list)
    began: float = field(default_factory=monotonic)
    """When it began, in real seconds."""

    def __post_init__(self) -> None:
        self.trace = Trace(self.plan.start_utc_ms, self.plan.end_utc_ms)

    @property
    def daemon(self) -> Daemon:
        """The present daemon, or the last one."""
        return self.computer.daemon

    @property
    def share_done(self) -> float:
        """How much of the run is over, from 0 to 1."""
        plan = self.plan
        elapsed_ms = self.clock.utc_ms() - plan.start_utc_ms
        return min(1.0, elapsed_ms / (plan.end_utc_ms - plan.start_utc_ms))

    def note(self, what: str) -> None:
        """Put an event on record, with the time of the simulated world."""
        self.events.append(f"{self.local_time}  {what}")

    @property
    def local_time(self) -> str:
        """The time of the simulated world, where the station is."""
        return self.plan.local(self.clock.utc_ms())

    def look(self) -> None:
        """Take note of battery, outputs and stage."""
        shedding = self.daemon.shedding
        judged = shedding.keeper.shedding.voltage if shedding and self.computer.on else None
        self.trace.look(self.still.utc_ms(), self.power, self.hardware.outputs, judged)
        self.observe(self.daemon)

    def observe(self, daemon: Daemon) -> None:
        """Take note of the stage a daemon is in, and have the world follow it."""
        now = self.still.utc_ms()
        stage = self.trace.steps[-1].stage
        step = self.trace.observe(now, daemon, up=self.computer.on)
        if step and step.stage != stage:
            self.note(f"{stage} -> {step.stage}: {step.why}")
        shedding = daemon.shedding
        stopped = shedding.keeper.effects.stopped if shedding else frozenset()
        self.hardware.loads.stop_buses(now / 1000, stopped)


Show = Callable[[BenchState], Coroutine[None, None, None]]
"""Shows a run until cancelled."""
