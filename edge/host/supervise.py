"""Keeping tasks alive: a defect restarts its task, and too many of them end the daemon.

A supervised task is one that never ends until it is told to. One that returns all the same has a
defect just as one that raises: whatever it did is not done any more, and nobody would notice.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Awaitable, Callable
from dataclasses import dataclass

import structlog

from edge.clock import Clock
from edge.health import Condition
from edge.status import Category

# A task that crashes this often within this many seconds is not going to be mended by restarting
# it once more: the process gives up, and the service manager starts it afresh.
_MOST_CRASHES = 5
_WITHIN = 600.0
_FIRST_PAUSE = 1.0

# A crash is spoken of for so long after the task was started again, in seconds.
_REMEMBERED = 3600.0


class CrashLoopError(Exception):
    """A supervised task kept crashing."""


class UnexpectedEndError(Exception):
    """A task that should never end has ended."""


def _never() -> bool:
    return False


@dataclass(slots=True)
class _Crashes:
    times: int = 0
    last: str = ""
    again_at: float = 0.0
    """When the task is started again, on the clock's monotonic scale."""


class Watched:
    """Remembers which tasks have crashed, for whoever asks how the station is."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._crashes: dict[str, _Crashes] = {}

    def crashed(self, task: str, error: Exception, pause: float) -> None:
        """Take note of a crash; the task is started again in ``pause`` seconds."""
        crashes = self._crashes.setdefault(task, _Crashes())
        crashes.times += 1
        crashes.last = f"{type(error).__name__}: {error}" if str(error) else type(error).__name__
        crashes.again_at = self._clock.monotonic() + pause

    def conditions(self) -> list[Condition]:
        """Return how the tasks are that have crashed; those that did well for an hour since."""
        now = self._clock.monotonic()
        self._crashes = {
            task: crashes
            for task, crashes in self._crashes.items()
            if now < crashes.again_at + _REMEMBERED
        }
        return [_condition(task, crashes, now) for task, crashes in self._crashes.items()]


def _condition(task: str, crashes: _Crashes, now: float) -> Condition:
    times = "once" if crashes.times == 1 else f"{crashes.times} times"
    found = f"a defect in the program stopped it {times}, last by {crashes.last}"
    wait = crashes.again_at - now
    if wait > 0:
        return Condition(f"task {task}", Category.FAILURE, found, f"starts again in {wait:.0f} s")
    return Condition(
        f"task {task}",
        Category.MAINTENANCE_REQUIRED,
        found,
        f"runs again since {-wait / 60:.0f} min; the log has the details",
    )


async def supervise(
    name: str,
    run: Callable[[], Awaitable[None]],
    clock: Clock,
    *,
    may_end: Callable[[], bool] = _never,
    watched: Watched | None = None,
) -> None:
    """Run a task that should never end; start it again, after a growing pause, when it does.

    Returns when the task does and ``may_end`` says that it was told to. Each crash is reported to
    ``watched``. Raises CrashLoopError, from the last crash, when restarting does not help.
    """
    crashes: deque[float] = deque(maxlen=_MOST_CRASHES)
    log = structlog.get_logger().bind(task=name)
    while True:
        try:
            await run()
            if may_end():
                return
            raise UnexpectedEndError(name)  # noqa: TRY301 - to be treated as any other crash
        except Exception as error:
            now = clock.monotonic()
            while crashes and now - crashes[0] >= _WITHIN:
                crashes.popleft()
            crashes.append(now)
            pause = _FIRST_PAUSE * 2 ** (len(crashes) - 1)
            log.exception("task crashed", crashes=len(crashes))
            if watched is not None:
                watched.crashed(name, error, pause)
            if len(crashes) == _MOST_CRASHES:
                raise CrashLoopError(name) from error
            await clock.sleep(pause)
