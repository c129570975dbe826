"""The outputs of a station: who needs them on, and the tasks that switch them.

Theory of operation. Every output has a task that brings it to where it is wanted, looks after it,
and tries again what failed (`edge.field.output` says when). So a relay board that is dead holds up
nobody but those whose supply hangs on it. The outputs of one board take turns: while it does not
answer, one of them asks for all (`edge.field.board`), so that others on its bus have theirs.

An output that supplies something is on while somebody is inside `powered`; the first to come
switches it on, the last to leave switches it off, and all wait for the same warm-up. Any other is
on. Either is off in a stage of load shedding that says so (`forbid`): who is inside then gets a
minute to leave, and nobody comes in.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Collection, Hashable, Mapping

from edge.clock import Clock
from edge.field.board import Board
from edge.field.driven import Driven, warn
from edge.field.output import OutputRules
from edge.field.switches import Switch
from edge.health import Condition
from edge.host.together import together
from edge.status import Category, Reason

# The safe states must be reached in this time, in real seconds, or are given up.
REST_WITHIN = 5.0


class Outputs:
    """All outputs of a station; ``supplies`` names those that something is supplied by.

    ``rest_within`` is how many real seconds they are given to reach their safe states.
    """

    def __init__(
        self,
        switches: Mapping[str, Switch],
        rules: Mapping[str, OutputRules],
        supplies: Collection[str],
        *,
        clock: Clock,
        rest_within: float = REST_WITHIN,
    ) -> None:
        self._rest_within = rest_within
        boards: dict[Hashable, Board] = {}
        self._driven = {
            name: Driven(
                name,
                switch,
                boards.setdefault(switch.board, Board(rules[name].retry_limit)),
                rules[name],
                clock,
                supplies=name in supplies,
            )
            for name, switch in switches.items()
        }

    async def run(self) -> None:
        """Keep every output where it is wanted, until cancelled."""
        await together(driven.run() for driven in self._driven.values())

    def forbid(self, names: Collection[str]) -> None:
        """Take note of which outputs are to be off, as the present stage has it; others may be on.

        Raises KeyError for one that there is not.
        """
        forbidden = {self._driven[name] for name in names}
        for driven in self._driven.values():
            driven.forbid(forbidden=driven in forbidden)

    @contextlib.asynccontextmanager
    async def powered(self, name: str) -> AsyncIterator[Reason]:
        """Have an output on within the block.

        Yields OK once it is on and its warm-up has passed; SHED where it is forbidden; NO_SUPPLY
        where it cannot be switched on. To be used while `run` runs. Raises KeyError for an output
        that there is not.
        """
        driven = self._driven[name]
        if driven.forbidden:
            yield Reason.SHED
            return
        with driven.needed():
            yield await driven.usable()

    @property
    def names(self) -> list[str]:
        """The outputs, in the order of the station file."""
        return list(self._driven)

    def is_on(self, name: str) -> bool:
        """Tell whether an output is known to be on."""
        state = self._driven[name].state
        return state.on and state.known

    def conditions(self) -> list[Condition]:
        """Say how the outputs are: all of them in one, and each that fails in one of its own."""
        troubles = [one.trouble() for one in self._driven.values()]
        return [self._summary(), *(trouble for trouble in troubles if trouble)]

    async def rest(self) -> dict[str, Reason]:
        """Bring every output to its safe state, least times or not, and let go of all.

        To be called last, when `run` has been cancelled. Takes some real seconds at the most;
        returns for each output OK, or why it may be in another state.
        """
        reasons = dict.fromkeys(self._driven, Reason.NO_REPLY)

        by_board: dict[Hashable, list[str]] = {}
        for name, driven in self._driven.items():
            by_board.setdefault(driven.switch.board, []).append(name)

        async def rest_board(names: list[str]) -> None:
            for name in names:
                reasons[name] = await self._driven[name].rest()

        # A board that is dead holds up no other one: each asks for one output at a time.
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(self._rest_within):
                await asyncio.gather(*map(rest_board, by_board.values()))
        for name, reason in reasons.items():
            if reason is not Reason.OK:
                warn("output may not be in its safe state", name, reason)
        for driven in self._driven.values():
            await driven.switch.close()
        return reasons

    def _summary(self) -> Condition:
        known = {name: one for name, one in self._driven.items() if one.state.known}
        groups = {
            "on": [name for name, one in known.items() if one.state.on],
            "off": [n for n, one in known.items() if not one.state.on and not one.forbidden],
            "off to spare the battery": [
                name for name, one in known.items() if not one.state.on and one.forbidden
            ],
            "not known": [name for name in self._driven if name not in known],
        }
        found = "; ".join(
            f"{words}: {', '.join(names)}" for words, names in groups.items() if names
        )
        return Condition("outputs", Category.NORMAL, found)
