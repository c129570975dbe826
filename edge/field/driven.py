"""One output at work: brought to where it is wanted, looked after, lent to those who need it on."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Iterator

import structlog

from edge.clock import Clock, wait_for_event
from edge.field.board import Board
from edge.field.bus_health import duration
from edge.field.output import Output, OutputRules
from edge.field.switches import Switch
from edge.health import Condition
from edge.status import Reason

# How long those inside a supply have to leave it when it is forbidden, in seconds of the clock.
_TIME_TO_LEAVE = 60.0

# An output is looked at this often at least, in seconds of the clock, ...
_LONGEST_SLEEP = 3600.0
# ... and a wait is never so short that a clock could stand still over it.
_SHORTEST_SLEEP = 0.001

# Relays and contactors take some hundredths of a second to pull (common practice, no source). Real
# seconds.
_CONTACTS_SETTLE = 0.1


class Driven:
    """One output with its switch, those who need it, and its task."""

    def __init__(
        self,
        name: str,
        switch: Switch,
        board: Board,
        rules: OutputRules,
        clock: Clock,
        *,
        supplies: bool,
    ) -> None:
        self.switch = switch
        self._board = board
        self.state = Output(rules, clock.monotonic())
        self._name = name
        self._clock = clock
        self._supplies = supplies
        self._needed_by = 0
        self._leave_by: float | None = None  # None: not forbidden
        self._resting = False
        self._failing = False  # as was told in the log
        self._cannot_be: bool | None = None  # on or off: what it was not when it was told
        self._going_off = False  # being switched off just now, whoever may need it since
        self._woken = asyncio.Event()  # there is something new to do
        self._news = asyncio.Event()  # something was done; a new event every time

    @property
    def forbidden(self) -> bool:
        """Whether it is to be off."""
        return self._leave_by is not None

    def forbid(self, *, forbidden: bool) -> None:
        """See `Outputs`."""
        if forbidden == self.forbidden:
            return
        self._leave_by = self._clock.monotonic() + _TIME_TO_LEAVE if forbidden else None
        self._woken.set()
        self._tell()

    @contextlib.contextmanager
    def needed(self) -> Iterator[None]:
        """Have it wanted on within the block."""
        self._needed_by += 1
        self._woken.set()
        try:
            yield
        finally:
            self._needed_by -= 1
            self._woken.set()

    async def usable(self) -> Reason:
        """Wait until what hangs on it can be used, or is not going to be; see `Outputs.powered`."""
        while not self.forbidden:
            if self.state.reason is not Reason.OK:
                return Reason.NO_SUPPLY
            now, news = self._clock.monotonic(), self._news
            if self._going_off:
                await news.wait()
                continue
            if now >= self.state.warm_at:
                return Reason.OK
            await wait_for_event(news, self._clock, _bounded(self.state.warm_at - now))
        return Reason.SHED

    async def run(self) -> None:
        """Bring it to where it is wanted, for ever."""
        while True:
            self._woken.clear()
            now = self._clock.monotonic()
            if self._due(now) is not None:
                async with self._board.turn:
                    await self._do_what_is_due()
                self._tell()
                continue
            until = self.state.next_due(now)
            if self._leave_by is not None and self._leave_by > now:
                until = min(until, self._leave_by)
            await wait_for_event(self._woken, self._clock, _bounded(until - now))

    async def rest(self) -> Reason:
        """Bring it to its safe state at once."""
        self._resting = True
        on = self.state.wanted = self.state.rules.at_rest
        await self._switch_to(on)
        return self.state.reason

    def trouble(self) -> Condition | None:
        """Say what is the matter with it, if anything is."""
        state = self.state
        if state.reason is Reason.OK:
            return None
        doing = f"tries again every {duration(state.rules.retry_limit)} at least"
        if self._supplies:
            doing += "; what it supplies is not used until then"
        meant = "on" if state.wanted else "off"
        found = f"cannot be brought to be {meant}: {state.reason.text}"
        return Condition(f"output {self._name}", state.reason.category, found, doing)

    def _due(self, now: float) -> bool | None:
        """See `Output.due`."""
        self.state.wanted = self._wanted(now)
        return self.state.due(now)

    def _wanted(self, now: float) -> bool:
        if self._resting:
            return self.state.rules.at_rest
        if self._leave_by is not None:
            return self._needed_by > 0 and now < self._leave_by
        return self._needed_by > 0 or not self._supplies

    async def _do_what_is_due(self) -> None:
        """Ask the board, if it is still due when its turn has come, and the board may answer."""
        now = self._clock.monotonic()
        on = self._due(now)
        if on is None:
            return
        silent_until = self._board.silent_until(now)
        if silent_until is not None:
            self._note(self.state.passed_over(now, silent_until))
            return
        await self._bring_to(on)
        self._board.asked(self._clock.monotonic(), self.state.reason)

    async def _bring_to(self, on: bool) -> None:
        """Write what is due; a refresh only where it is still as it was told."""
        if not self.state.sure or on != self.state.on:
            await self._switch_to(on)
            return
        self._note(self.state.found(self._clock.monotonic(), await self.switch.get()))
        if self.state.known:
            reason = await self.switch.set(on)
            self._note(self.state.wrote(self._clock.monotonic(), on, reason))

    async def _switch_to(self, on: bool) -> None:
        self._going_off = not on
        try:
            reason = await self.switch.set(on)
            self._note(self.state.wrote(self._clock.monotonic(), on, reason))
        finally:
            self._going_off = False
        if reason is Reason.OK:
            found = await self._look_for(on)
            self._note(self.state.found(self._clock.monotonic(), found))

    async def _look_for(self, on: bool) -> bool | Reason | None:
        """Return how the output is found, with some time for its contacts to move."""
        found = await self.switch.get()
        if found is (not on):
            await asyncio.sleep(_CONTACTS_SETTLE)
            found = await self.switch.get()
        return found

    def _note(self, changed: bool) -> None:
        state = self.state
        if state.known:
            # That it goes off does not show that it goes on.
            if self._failing and self._cannot_be in {None, state.on}:
                self._failing, self._cannot_be = False, None
                structlog.get_logger().info("output works again", output=self._name)
        elif changed and self._cannot_be is None:
            self._failing = True
            warn("output fails", self._name, state.reason)
            if state.reason is Reason.NOT_AS_SWITCHED:
                self._cannot_be = not state.on

    def _tell(self) -> None:
        self._news.set()
        self._news = asyncio.Event()


def _bounded(seconds: float) -> float:
    return min(max(seconds, _SHORTEST_SLEEP), _LONGEST_SLEEP)


def warn(event: str, output: str, reason: Reason) -> None:
    """Say in the log what is the matter with an output."""
    structlog.get_logger().warning(event, output=output, reason=reason.slug, why=reason.text)
