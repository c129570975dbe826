"""Running tasks that belong together: all go on for ever, or all end of the first crash."""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine, Iterable
from typing import Any


async def together(runs: Iterable[Coroutine[Any, Any, None]]) -> None:
    """Run coroutines side by side until all have ended; raises what the first one raised.

    None of them is left running. An `asyncio.TaskGroup` would do, but that of Python 3.11.2, which
    Debian 12 has, may let its own task end as if cancelled when a member crashes.
    """
    tasks = [asyncio.ensure_future(run) for run in runs]
    if not tasks:
        return
    try:
        done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_EXCEPTION)
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
    for task in done:
        task.result()
