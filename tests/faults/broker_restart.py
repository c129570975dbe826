"""The broker is stopped and started again, in an orderly way and by SIGKILL, in mid-delivery.

Theory of operation. A broker without persistence keeps nothing for a receiver that is not there,
and nothing that was queued when it died. That is its loss, not the station's, and has to be kept
apart: in each round the acknowledgements are held back in the link, and the receiver is let catch
up with all that was acknowledged before. Then the broker goes, mostly while packs are under way:
those it had passed on already come again and must be recognised, the others must come at all. The
link stays cut until the receiver listens again.
"""

from __future__ import annotations

import asyncio
import contextlib
from dataclasses import dataclass
from pathlib import Path
from random import Random

from tests.faults.ledger import Ledger
from tests.faults.scenario import Progress, Scenario
from tests.faults.station import Rig
from tests.faults.stations import in_stations_that_lose_connections

# In seconds: how long a round waits for packs to be under way (the station publishes every
# second), how long the broker lives on after that, and how long it is away.
_UNDER_WAY_WITHIN_S = 3.0
_LIVES_ON_S = 0.05
_LONGEST_AWAY_S = 1.0

# In some rounds the broker goes at any instant, packs under way or not.
_SHARE_AT_ANY_INSTANT = 0.1
_ANY_INSTANT_S = 1.0


@dataclass(slots=True)
class _Tally:
    restarts: int = 0
    kills: int = 0
    with_packs_under_way: int = 0
    packs_under_way: int = 0


async def run(count: int, seed: int, directory: Path, progress: Progress) -> Ledger:
    """Restart brokers ``count`` times in all."""
    ledger, tally = Ledger("broker-restart", count), _Tally()

    async def lose(rig: Rig, rng: Random, round_: int) -> None:
        await _restart(rig, rng, tally, kill=bool(round_ % 2))

    await in_stations_that_lose_connections(
        ledger, seed, directory, lose, lambda done: progress(f"{done} of {count} restarts")
    )
    ledger.measures |= {
        "restarts_after_sigkill": tally.kills,
        "restarts_after_sigterm": tally.restarts - tally.kills,
        "restarts_with_packs_under_way": tally.with_packs_under_way,
        "packs_under_way_at_restarts": tally.packs_under_way,
    }
    return ledger


async def _restart(rig: Rig, rng: Random, tally: _Tally, *, kill: bool) -> None:
    await asyncio.sleep(rng.uniform(0, _ANY_INSTANT_S))
    rig.link.hang(replies_only=True)
    await rig.receiver.catch_up()
    if rng.random() >= _SHARE_AT_ANY_INSTANT:
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(_UNDER_WAY_WITHIN_S):
                await rig.link.until_under_way()
    await asyncio.sleep(rng.uniform(0, _LIVES_ON_S))
    under_way = rig.link.under_way
    await asyncio.to_thread(rig.broker.kill if kill else rig.broker.stop)
    await rig.link.cut()
    tally.restarts += 1
    tally.kills += kill
    tally.with_packs_under_way += under_way > 0
    tally.packs_under_way += under_way
    await asyncio.sleep(rng.uniform(0, _LONGEST_AWAY_S))
    await asyncio.to_thread(rig.broker.start)
    await rig.receiver_listens()
    await rig.link.restore()


SCENARIO = Scenario(
    name="broker-restart",
    about="the broker stopped or killed in mid-delivery, and started again",
    default_count=4,
    run=run,
)
