"""One output: what it is to be, what it was told, when it may change. Pure: time is an argument.

Theory of operation. The output is ``wanted`` on or off. What is to be written now is asked of
`due`; what came of it is told by `wrote` and `found`. Between the two stands what is believed of
the output, always in the way that spares what hangs on it:

*It changed when it may have changed.* A write that was not acknowledged may have been carried out
all the same. So the least times begin when a change is tried, and anew when it succeeds; warm-up
begins when it succeeds.

*What is found counts.* An output that is found otherwise than told has changed by itself: a board
lost its supply, a contact is stuck, somebody turned a switch. The least times begin then, and the
output is told again when they have passed, less and less often where that does not help.

*At the start* nobody knows how the output is. It is taken to be in its safe state, and to have
just come into it.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf

from edge.field.schedule import Patience
from edge.status import Reason


@dataclass(frozen=True, slots=True)
class OutputRules:
    """What an output goes by. Times in seconds."""

    at_rest: bool = False
    """Its safe state."""
    least_on: float = 0.0
    least_off: float = 0.0
    warm_up: float = 0.0
    refresh: float = inf
    """It is looked at, and written anew, this often."""
    retry_limit: float = 60.0
    """After a failure it is tried less and less often, but at least this often."""


class Output:
    """The state of one output. Times are monotonic seconds, of any origin."""

    def __init__(self, rules: OutputRules, now: float) -> None:
        self.rules = rules
        self.wanted = rules.at_rest
        """What it is to be as soon as it may."""
        self.reason = Reason.OK
        """OK, or why it cannot be said to be as it was told."""
        self._on = rules.at_rest
        self.sure = False
        """Whether it truly is as `on` says, as far as can be told."""
        self._free_at = now + self._least(on=self._on)
        self._refresh_at = -inf
        self._warm_at = inf
        self._patience = Patience(rules.retry_limit)

    @property
    def on(self) -> bool:
        """Whether it is on, as far as is known: as it was told, or as it was found since."""
        return self._on

    @property
    def known(self) -> bool:
        """Whether it is also known to do as it is told."""
        return self.sure and self.reason is Reason.OK

    @property
    def warm_at(self) -> float:
        """From when on what hangs on it can be used; infinity while it is not known to be on."""
        return self._warm_at if self._on and self.known else inf

    def due(self, now: float) -> bool | None:
        """Return what to write now, True for on; None for nothing.

        Where it is `sure`, what is the same as `on` is a refresh: look first, and write only where
        it is `known`.
        """
        if not self._patience.allows(now):
            return None
        if now >= self._change_at:
            return self.wanted
        return self._on if now >= self._refresh_due else None

    def next_due(self, now: float) -> float:
        """Return when `due` has to be asked again, at the latest, if nothing is heard till then."""
        return max(now, self._patience.not_before, min(self._change_at, self._refresh_due))

    def wrote(self, now: float, on: bool, reason: Reason) -> bool:
        """Take note that ``on`` was written, and what came of it; `found` is to follow if it is OK.

        Return whether `reason` is another than before.
        """
        # What follows a failure, or is the first, may be what truly switched it.
        if on != self._on or not self.sure:
            self._changed(now, on=on)
        return reason is not Reason.OK and self._failed(now, reason)

    def found(self, now: float, state: bool | Reason | None) -> bool:
        """Take note of how it is found; None: it cannot be asked, and is taken to be as told.

        Return whether `reason` is another than before.
        """
        if isinstance(state, Reason):
            return self._failed(now, state)
        self._refresh_at = now + self.rules.refresh
        if state is not None and state != self._on:
            self._changed(now, on=state)
            self.sure = True
            self._patience.failed(now)
            return self._is(Reason.NOT_AS_SWITCHED)
        self.sure = True
        if self.reason is Reason.NOT_AS_SWITCHED and self._on != self.wanted:
            return False  # it still has to show that it does as it is told
        self._patience.succeeded()
        return self._is(Reason.OK)

    def passed_over(self, now: float, until: float) -> bool:
        """Take note that it is not asked before ``until``, for its board does not answer.

        Return whether `reason` is another than before.
        """
        self._patience.not_before = max(self._patience.not_before, until)
        return self._unanswered(now, Reason.NO_REPLY)

    @property
    def _change_at(self) -> float:
        """When to write what is wanted, for any reason but a refresh."""
        if self.wanted != self._on:
            return self._free_at
        # What once was not as switched has to show that it is.
        return -inf if self.reason is Reason.NOT_AS_SWITCHED else inf

    @property
    def _refresh_due(self) -> float:
        # What is wanted no more is not told again, but at the start: each time may begin it anew.
        again = self.sure or self._on == self.wanted or self._refresh_at == -inf
        return self._refresh_at if again else inf

    def _changed(self, now: float, *, on: bool) -> None:
        self._on, self.sure = on, False
        self._free_at = now + self._least(on=on)
        self._warm_at = now + self.rules.warm_up

    def _failed(self, now: float, reason: Reason) -> bool:
        self._patience.failed(now)
        return self._unanswered(now, reason)

    def _unanswered(self, now: float, reason: Reason) -> bool:
        self.sure = False
        self._refresh_at = now  # as soon as patience allows
        return self._is(reason)

    def _is(self, reason: Reason) -> bool:
        changed, self.reason = reason is not self.reason, reason
        return changed

    def _least(self, *, on: bool) -> float:
        return self.rules.least_on if on else self.rules.least_off
