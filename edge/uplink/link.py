"""What the publisher works with and what it tells: the store of readings, and how the link is."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol

from edge.health import Condition
from edge.journal.ranges import RangeSet
from edge.readings import Gap, Journalled
from edge.status import Category
from edge.units import Unit

LINK = "link"
NOT_YET = "not connected yet"


class Store(Protocol):
    """Where readings wait until the broker has them."""

    @property
    def sendable(self) -> int:
        """The highest number that may be sent; numbers begin at 1."""
        ...

    @property
    def identity(self) -> str:
        """What tells this journal from any other that the station has had or will have."""
        ...

    @property
    def sent(self) -> RangeSet:
        """What needs no sending: the broker has it, or it is gone for good."""
        ...

    @property
    def units(self) -> Mapping[str, Unit]:
        """Unit of every series' values, by its name."""
        ...

    async def fetch(self, first: int, last: int) -> list[Journalled]:
        """Return the readings numbered from ``first`` to ``last`` that are still there.

        Raises JournalError when they cannot be read.
        """
        ...

    def acknowledge(self, first: int, last: int) -> None:
        """Take note that the broker has these readings."""
        ...

    def untold(self) -> list[Gap]:
        """Return the gaps that have not been stated to the broker yet."""
        ...

    def told(self, gap: Gap) -> None:
        """Take note that the broker has the statement of this gap."""
        ...


@dataclass(slots=True)
class UplinkState:
    """How the link is, for status lines; counters since the start of the program."""

    connected: bool = False
    why: str = NOT_YET
    """Why there is no connection, or why the broker takes no readings; "" when all is well."""
    version: str = ""
    """Version of MQTT spoken, once it is known."""
    acknowledged_ms: int | None = None
    """When the broker last acknowledged readings, in UTC milliseconds."""
    packs: int = 0
    readings: int = 0
    bytes: int = 0
    """Packs, readings in them and bytes of payload acknowledged."""
    unexpected: int = 0
    """Packets from the broker that nobody asked for, or that MQTT does not allow."""

    def condition(
        self, pending: int, next_try: float | None, plan: str = "", *, spared: bool = False
    ) -> Condition:
        """Put it in words; ``pending`` readings wait, the next try is in ``next_try`` seconds.

        ``plan`` is what there is to expect where there need be no connection now; ``spared`` tells
        that there is none to spare the battery.
        """
        doing = plan if next_try is None else f"tried again in {next_try:.0f} s"
        wait = f"{pending} readings wait to be sent"
        if not self.connected:
            if spared:
                return Condition(LINK, Category.FUNCTION_CHECK, f"not connected; {wait}", doing)
            if plan and not self.why:
                return Condition(LINK, Category.NORMAL, f"not connected; {wait}", doing)
            why = f": {self.why}" if self.why else " yet"
            found = f"not connected to the broker{why}; {wait}"
            return Condition(LINK, Category.FAILURE, found, doing or "connecting")
        if self.why:
            found = f"connected to the broker, but {self.why}; {wait}"
            return Condition(LINK, Category.OUT_OF_SPECIFICATION, found, doing)
        return Condition(LINK, Category.NORMAL, f"connected, MQTT {self.version}; {wait}")
