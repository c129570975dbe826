"""Many rounds of a scenario, shared out among stations, some of which live at the same time."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from pathlib import Path
from random import Random

from edge.journal.journal import JournalError
from edge.uplink.session import ConnectionLostError, RefusedError
from tests.faults.ledger import Ledger
from tests.faults.process import EndedError
from tests.faults.station import Rig

JOBS = 4
"""Stations at the same time: a station mostly waits, for its start, its slots or its broker."""

Live = Callable[[Rig, Random, int], Awaitable[None]]
"""Plays so many rounds on a rig; leaves the station running, its link and its broker sound."""

_WHAT_MAY_GO_WRONG = (
    EndedError,
    TimeoutError,
    JournalError,
    ConnectionLostError,
    RefusedError,
)


async def in_stations(
    ledger: Ledger, seed: int, directory: Path, most_rounds: int, live: Live
) -> None:
    """Play the ledger's ``count`` rounds, at most ``most_rounds`` a station; enter the audits.

    What goes wrong with a station is a complaint in the ledger, and the others go on.
    """
    free = asyncio.Semaphore(JOBS)

    async def one(number: int, rounds: int) -> None:
        own = directory / f"station-{number}"
        own.mkdir()
        async with free, Rig(own, seed + number) as rig:
            try:
                await live(rig, Random(f"{ledger.scenario} {seed} {number}"), rounds)
                await rig.close(ledger)
            except _WHAT_MAY_GO_WRONG as error:
                ledger.complaints.append(f"station {number}: {error or type(error).__name__}")

    async with asyncio.TaskGroup() as group:
        for number, rounds in enumerate(shares(ledger.count, most_rounds)):
            group.create_task(one(number, rounds))
    ledger.measures["stations"] = number + 1


def shares(count: int, largest: int) -> list[int]:
    """Share out ``count`` rounds: one share, or as many times `JOBS` equal ones as it takes."""
    stations = -(-count // largest)
    if stations > 1:  # none is to be left over at the end, while the others have done
        stations = JOBS * -(-stations // JOBS)
    return [count // stations + (n < count % stations) for n in range(stations)]
