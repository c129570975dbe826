"""A board that outputs are switched on: while it does not answer, one output asks for all."""

from __future__ import annotations

import asyncio

from edge.field.schedule import Patience
from edge.status import Reason


class Board:
    """What the outputs of one board share. Times are monotonic seconds, of any origin.

    Each output has a patience of its own as well; but of a board with many outputs that is dead,
    all of them would keep the bus busy.
    """

    def __init__(self, retry_limit: float) -> None:
        """``retry_limit``: it is asked again at least this often, in seconds."""
        self.turn = asyncio.Lock()
        """To be held while it is asked: those who wait may have no need to ask."""
        self._patience = Patience(retry_limit)

    def silent_until(self, now: float) -> float | None:
        """Return until when nobody is to ask, for there was no answer; None: it may be asked."""
        return None if self._patience.allows(now) else self._patience.not_before

    def asked(self, now: float, reason: Reason) -> None:
        """Take note of what came of asking it."""
        if reason is Reason.NO_REPLY:
            self._patience.failed(now)
        else:
            self._patience.succeeded()
