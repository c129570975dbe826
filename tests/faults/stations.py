"""Many rounds of a scenario, shared out among stations, some of which live at the same time."""

from __future__ import annotations

import asyncio
import itertools
from collections.abc import Awaitable, Callable
from pathlib import Path
from random import Random

from edge.journal.journal import JournalError
from edge.uplink.session import ConnectionLostError, RefusedError
from tests.faults.ledger import Ledger
from tests.faults.process import EndedError
from tests.faults.station import Rig

# A station that loses several connections in a row soon after they began takes it for a fight about
# its client id, and pauses for minutes. So now and then one is let last, for so many seconds.
_LOST_SOON_IN_A_ROW = 2
_LONG_ENOUGH_S = 5.5

# Of stations whose connections are taken away.
_ROUNDS_A_STATION = 25
_MOST_TOGETHER = 8
_REPORT_EVERY = 10

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
    ledger: Ledger,
    seed: int,
    directory: Path,
    live: Live,
    *,
    most_rounds: int,
    most_together: int,
) -> None:
    """Play the ledger's ``count`` rounds, at most ``most_rounds`` a station; enter the audits.

    ``most_together`` stations live at the same time: a station mostly waits, for its start, for its
    slots or for its broker.

    What goes wrong with a station is a complaint in the ledger, and the others go on.
    """
    free = asyncio.Semaphore(most_together)

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
        for number, rounds in enumerate(shares(ledger.count, most_rounds, most_together)):
            group.create_task(one(number, rounds))
    ledger.measures["stations"] = number + 1


def shares(count: int, largest: int, together: int) -> list[int]:
    """Share out ``count`` rounds: one share, or as many times ``together`` as it takes."""
    stations = -(-count // largest)
    if stations > 1:  # none is to be left over at the end, while the others have done
        stations = min(count, together * -(-stations // together))
    return [count // stations + (n < count % stations) for n in range(stations)]


async def in_stations_that_lose_connections(
    ledger: Ledger,
    seed: int,
    directory: Path,
    lose: Callable[[Rig, Random, int], Awaitable[None]],
    report: Callable[[int], None],
) -> None:
    """Take connections away from stations, ``ledger.count`` times in all; enter the audits.

    ``lose`` does it once, on a rig, in the round of that number; ``report`` hears now and then how
    often it has been done.
    """
    done = itertools.count(1)

    async def live(rig: Rig, rng: Random, rounds: int) -> None:
        async def once(round_: int) -> None:
            await lose(rig, rng, round_)
            if (so_far := next(done)) % _REPORT_EVERY == 0:
                report(so_far)

        await _lose_connections(rig, rounds, once)

    await in_stations(
        ledger,
        seed,
        directory,
        live,
        most_rounds=_ROUNDS_A_STATION,
        most_together=_MOST_TOGETHER,
    )


async def _lose_connections(rig: Rig, rounds: int, lose: Callable[[int], Awaitable[None]]) -> None:
    """Run a station, let its water flow, and call ``lose`` with the number of each round.

    Each call takes the station's connection away, and leaves the link sound.
    """
    await rig.run_station()
    await rig.news()
    rig.let_flow()
    for round_ in range(rounds):
        await rig.news()
        if round_ % (_LOST_SOON_IN_A_ROW + 1) == _LOST_SOON_IN_A_ROW:
            await rig.link.has_lasted(_LONG_ENOUGH_S)
        await lose(round_)
