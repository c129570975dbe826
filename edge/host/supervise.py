"""Keeping tasks alive: a defect restarts its task, and too many of them end the daemon."""

from __future__ import annotations

from collections import deque
from collections.abc import Awaitable, Callable

import structlog

from edge.clock import Clock

# A task that crashes this often within this many seconds is not going to be mended by restarting
# it once more: the process gives up, and the service manager starts it afresh.
_MOST_CRASHES = 5
_WITHIN = 600.0
_FIRST_PAUSE = 1.0


class CrashLoopError(Exception):
    """A supervised task kept crashing."""


async def supervise(name: str, run: Callable[[], Awaitable[None]], clock: Clock) -> None:
    """Run a task that should never end; start it again, after a growing pause, when it does.

    Raises CrashLoopError, from the last crash, when restarting does not help.
    """
    crashes: deque[float] = deque(maxlen=_MOST_CRASHES)
    log = structlog.get_logger().bind(task=name)
    while True:
        try:
            await run()
        except Exception as error:
            now = clock.monotonic()
            crashes.append(now)
            log.exception("task crashed", crashes=len(crashes))
            if len(crashes) == _MOST_CRASHES and now - crashes[0] < _WITHIN:
                raise CrashLoopError(name) from error
            await clock.sleep(_FIRST_PAUSE * 2 ** (len(crashes) - 1))
        else:
            return
