"""What a scenario is: a name, a few words, and a coroutine that does its worst and gives account.

A module of this package that holds a scenario has a ``SCENARIO``::

    async def run(count: int, seed: int, directory: Path, progress: Progress) -> Ledger: ...

    SCENARIO = Scenario(name="kill", about="SIGKILL at any instant", default_count=5, run=run)

``count`` is how often (or how long) it does what it does, ``seed`` makes its choices repeatable as
far as processes let it, ``directory`` is empty and its own, and ``progress`` takes a line for those
who wait. What cannot be done on this machine is a complaint in the ledger, not an exception.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from pathlib import Path

from tests.faults.ledger import Ledger

Progress = Callable[[str], None]
Run = Callable[[int, int, Path, Progress], Awaitable[Ledger]]


@dataclass(frozen=True, slots=True)
class Scenario:
    """A way of going wrong; ``default_count`` takes seconds."""

    name: str
    about: str
    default_count: int
    run: Run
