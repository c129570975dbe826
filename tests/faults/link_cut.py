"""The link fails in the midst of a pack, in the ways links do, and comes back at a random time.

Theory of operation. In each round one of four things happens.

*cut*: after a random share of the bytes of a message nothing more passes; then the connection is
reset, and new ones are refused for a while. *stall*: the same, but the link comes back without a
reset, and the rest of the message arrives. *replies*: messages arrive, their acknowledgements do
not, and then the connection is reset: all that was under way comes again. *hang*: nothing passes
for a while, either way, and then all of it does.

The receiver has a connection of its own and hears all that the broker has taken.
"""

from __future__ import annotations

import asyncio
from collections import Counter
from pathlib import Path
from random import Random

from tests.faults.ledger import Ledger
from tests.faults.scenario import Progress, Scenario
from tests.faults.station import Rig
from tests.faults.stations import in_stations_that_lose_connections

# How often each way of failing comes up.
_WAYS = {"cut": 6, "stall": 2, "replies": 2, "hang": 1}

# In seconds: for how long the link is away, and how long a message may be in coming.
_LONGEST_AWAY_S = 1.5
_MESSAGE_WITHIN_S = 20.0

_MOST_BEFORE_IT_S = 1.0


async def run(count: int, seed: int, directory: Path, progress: Progress) -> Ledger:
    """Let links fail ``count`` times in all."""
    ledger, done = Ledger("link-cut", count), Counter[str]()

    async def lose(rig: Rig, rng: Random, _round: int) -> None:
        (way,) = rng.choices(list(_WAYS), list(_WAYS.values()))
        await _fail(rig, rng, way)
        done[way] += 1

    await in_stations_that_lose_connections(
        ledger,
        seed,
        directory,
        lose,
        lambda so_far: progress(f"{so_far} of {count} failures of the link"),
    )
    ledger.measures |= {f"failures_{way}": done[way] for way in _WAYS}
    return ledger


async def _fail(rig: Rig, rng: Random, way: str) -> None:
    await asyncio.sleep(rng.uniform(0, _MOST_BEFORE_IT_S))
    if way in {"cut", "stall"}:
        async with asyncio.timeout(_MESSAGE_WITHIN_S):
            await rig.link.stop_in_packet(rng.random())
    else:
        rig.link.hang(replies_only=way == "replies")
    away = rng.uniform(0, _LONGEST_AWAY_S)
    if way == "cut":
        await rig.link.cut()
        await asyncio.sleep(away)
    else:
        await asyncio.sleep(away)
        if way == "replies":
            await rig.link.cut()
    await rig.link.restore()


SCENARIO = Scenario(
    name="link-cut",
    about="the link cut or hung in the midst of a pack, and restored",
    default_count=5,
    run=run,
)
