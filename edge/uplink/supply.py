"""What supplies the link: switched on before a connection is made, off when it is not to be up."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from contextlib import AbstractAsyncContextManager, AsyncExitStack

from edge.status import Reason
from edge.uplink.hours import Hours

Supply = Callable[[], AbstractAsyncContextManager[Reason]]
"""Has the supply on for the time of a block. On entry it can be used, with Reason.OK; any other
reason says why it cannot."""

_WORDS = {
    Reason.SHED: "what supplies the link is off, to spare the battery",
    Reason.NO_SUPPLY: "what supplies the link could not be switched on",
}


async def switch_on(supply: Supply, stack: AsyncExitStack, hours: Hours) -> str:
    """Switch on the supply for as long as ``stack`` lasts; return why that failed, or "".

    Given up, with "", when ``hours`` no longer want the link.
    """
    table = hours.timetable
    entering = asyncio.ensure_future(stack.enter_async_context(supply()))
    try:
        while hours.wanted and not entering.done():
            await hours.wait(hours.window_left, entering)
    finally:
        if not entering.done():
            entering.cancel()
            await asyncio.wait({entering})
    if entering.cancelled():
        in_time = hours.leave.is_set() or table is not hours.timetable
        return "" if in_time else "what supplies the link did not come on in time"
    reason = entering.result()
    if reason is Reason.OK:
        return ""
    return _WORDS.get(reason, f"what supplies the link is not on: {reason.text}")
