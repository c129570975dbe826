"""What ``livezero status`` says of a real station in every state of trouble.

    python -m tests.faults.states

takes a station round: something is broken, `livezero status` is asked until it names that, its page
is printed, and the thing is mended, whereupon the station must say of itself that all is well
again. Exit code 1 when a state is not named. For the eye, and for a test that the words are there.

A process can only be looked at, not awaited: so the status is asked for a few times a second.
"""

from __future__ import annotations

import asyncio
import logging
import os
import re
import resource
import signal
import sys
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from dataclasses import dataclass
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory
from typing import Any

from edge.host.kernel_time import synchronised
from edge.host.logs import set_up_logs
from edge.host.status_socket import GarbledError, SilentError, ask
from edge.status import Category
from hw_fakes.faults import FaultKind
from tests.faults.station import Rig

# How long a state may take to be seen, in seconds: a commit that is tried again, a device that is
# asked less often.
_SEEN_WITHIN_S = 60.0
_LOOK_EVERY_S = 0.1

_BUS, _DEVICE = "rs485", "loops"

_PAGE = 4096


@dataclass(frozen=True, slots=True)
class State:
    """A state of trouble: which part must name it, in which words, and how to get there.

    ``brought_about`` is entered to bring the station there, and left to mend it. Where ``part`` is
    "", all must be well.
    """

    name: str
    part: str
    words: str
    brought_about: Callable[[Rig], AbstractAsyncContextManager[None]]


@dataclass(frozen=True, slots=True)
class Sight:
    """What was seen of one state; ``page`` is what ``livezero status`` printed.

    ``named`` tells whether the page named what is the matter, and ``mended`` whether all was well
    again afterwards.
    """

    state: State
    code: int
    page: str
    named: bool
    mended: bool


def _state(name: str, part: str, words: str) -> Callable[[Callable[[Rig], Any]], State]:
    return lambda bring: State(name, part, words, asynccontextmanager(bring))


@_state("all is well", "", "")
async def well(_rig: Rig) -> AsyncIterator[None]:
    """Leave everything as it is."""
    yield


@_state("the broker is gone", "link", "connection refused|closed")
async def broker_gone(rig: Rig) -> AsyncIterator[None]:
    """Cut the link between station and broker; connections are refused."""
    await rig.link.cut()
    yield
    await rig.link.restore()


@_state("an adapter is unplugged", f"bus {_BUS}", "serial port is not there")
async def port_absent(rig: Rig) -> AsyncIterator[None]:
    """Pull the adapter of a bus."""
    port = rig.hardware.port(_BUS)
    port.unplug()
    yield
    port.plug()


@_state("a device is dead", f"bus {_BUS}", f"{_DEVICE} .no reply")
async def device_dead(rig: Rig) -> AsyncIterator[None]:
    """Let a device fall silent."""
    faults = rig.hardware.faults(_BUS, _DEVICE)
    faults.set(FaultKind.DEAD)
    yield
    faults.clear()


@_state("the journal cannot be written", "journal", "cannot be written")
async def journal_unwritable(rig: Rig) -> AsyncIterator[None]:
    """Let every write of the station to a file fail, as on a full disk."""
    assert rig.process
    limit = resource.RLIMIT_FSIZE
    _, most = resource.prlimit(rig.process.pid, limit)
    resource.prlimit(rig.process.pid, limit, (0, most))
    yield
    resource.prlimit(rig.process.pid, limit, (most, most))


@_state("the daemon hangs", "daemon", "does not answer")
async def silent(rig: Rig) -> AsyncIterator[None]:
    """Stop the station's process without ending it."""
    assert rig.process
    os.kill(rig.process.pid, signal.SIGSTOP)
    yield
    os.kill(rig.process.pid, signal.SIGCONT)


@_state("no daemon runs", "daemon", "no daemon runs")
async def not_running(rig: Rig) -> AsyncIterator[None]:
    """End the station."""
    assert rig.process
    await rig.process.stop()
    yield
    await rig.run_station()


@_state("the journal was damaged", "journal", "salvaged")
async def rescued(rig: Rig) -> AsyncIterator[None]:
    """Write noise over a page of the journal while the station is off."""
    assert rig.process
    await rig.process.stop()
    with rig.journal.open("r+b") as file:
        file.seek(_PAGE * (rig.journal.stat().st_size // _PAGE // 2))
        file.write(Random(1).randbytes(_PAGE))
    await rig.run_station()
    yield
    await rig.process.stop()
    await rig.run_station()


@_state("the broker's name is unknown", "link", "cannot be resolved")
async def name_unknown(_rig: Rig) -> AsyncIterator[None]:
    """Leave it to the station file."""
    yield


@_state("the time is not known", "clock", "the time has been unknown")
async def time_unknown(_rig: Rig) -> AsyncIterator[None]:
    """Leave it to the station file, and to a kernel that no time server has set."""
    yield


TOUR = (
    well,
    broker_gone,
    port_absent,
    device_dead,
    journal_unwritable,
    silent,
    not_running,
    rescued,
)
"""Of one station, which is well in between."""

LOST = (name_unknown,) if synchronised() else (name_unknown, time_unknown)
"""Of a station that has neither broker nor time; the latter only where the computer has none."""


def lost(text: str) -> str:
    """Edit a station file so that the station knows neither its broker nor the time."""
    # Names under .invalid never resolve: RFC 6761, section 6.4.
    text = re.sub(r'host = "[^"]*"', 'host = "broker.ash-creek.invalid"', text)
    return text.replace('trust = "plausible"', 'trust = "synchronised"')


async def seen(rig: Rig, states: Sequence[State], *, mend: bool = True) -> AsyncIterator[Sight]:
    """Bring the rig's running station into one state after another, and look at its status."""
    for state in states:
        async with state.brought_about(rig):
            named = await _until(lambda state=state: _names(rig.journal, state))
            code, page = await _status(rig)
        mended = not mend or await _until(lambda: _names(rig.journal, well))
        yield Sight(state, code, page, named, mended)


async def _until(holds: Callable[[], bool]) -> bool:
    """Look a few times a second whether something holds; False when it did not in time."""
    try:
        async with asyncio.timeout(_SEEN_WITHIN_S):
            while not await asyncio.to_thread(holds):  # noqa: ASYNC110 - see above
                await asyncio.sleep(_LOOK_EVERY_S)
    except TimeoutError:
        return False
    return True


def _names(journal: Path, state: State) -> bool:
    """Whether the daemon says now what the state is about."""
    try:
        told = ask(journal, 1.0)
    except SilentError:
        return state is silent
    except GarbledError:
        return False
    if told is None:
        return state is not_running
    parts = {one["part"]: one for one in told["parts"]}
    if not state.part:
        return all(one["category"] == Category.NORMAL.value for one in parts.values())
    found = parts.get(state.part)
    return (
        found is not None
        and found["category"] != Category.NORMAL.value
        and re.search(state.words, found["found"]) is not None
    )


async def _status(rig: Rig) -> tuple[int, str]:
    """Run ``livezero status``; return its exit code and what it printed."""
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "edge", "status", str(rig.file), "--journal", str(rig.journal),
        stdout=asyncio.subprocess.PIPE,
        env=os.environ | {"COLUMNS": "100"},
    )  # fmt: skip
    page, _ = await process.communicate()
    assert process.returncode is not None
    return process.returncode, page.decode()


async def _show(directory: Path) -> bool:
    """Print what is seen of every state; tell whether each was named and mended."""
    good = True
    for name, states, edit in (("tour", TOUR, str), ("lost", LOST, lost)):
        (directory / name).mkdir()
        async with Rig(directory / name, 1, edit=edit) as rig:
            await rig.run_station()
            async for sight in seen(rig, states, mend=edit is str):
                said = "" if sight.named else ", and the status does not say so"
                said += "" if sight.mended else ", and all is not well after it is mended"
                print(f"--- {sight.state.name}{said} (exit code {sight.code})\n\n{sight.page}\n")
                good = good and sight.named and sight.mended
    return good


if __name__ == "__main__":
    set_up_logs(level=logging.CRITICAL)
    with TemporaryDirectory(prefix="livezero-states-") as temporary:
        sys.exit(0 if asyncio.run(_show(Path(temporary))) else 1)
