"""The outputs of a station as they truly are, whatever the daemon believes."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping

from edge.clock import Clock
from edge.station.outputs import GpioOutput, Output
from edge.status import Reason

Told = Callable[[str, bool], None]
"""Is told which output has changed, and whether it is on."""


class Relays:
    """Relays that begin without power: off, but for those wired to their resting contact.

    ``before`` is called before one changes, ``after`` when it has.
    """

    def __init__(
        self,
        outputs: Mapping[str, Output],
        clock: Clock,
        before: Callable[[], None] = lambda: None,
        after: Told = lambda _name, _on: None,
    ) -> None:
        self.states = {name: output.inverted for name, output in outputs.items()}
        """Which of them are on."""
        self.changes = 0
        """How often one has changed."""
        self._outputs = outputs
        self._clock = clock
        self._before = before
        self._after = after
        self._commanded = dict(self.states)
        self._forced: dict[str, bool] = {}
        self._since = {name: float("-inf") for name, on in self.states.items() if on}

    def commanded(self, name: str) -> bool:
        """Tell what an output was last told to be."""
        return self._commanded[name]

    def command(self, name: str, *, on: bool) -> None:
        """Tell an output what to be."""
        self._commanded[name] = on
        self._become(name, on=self._forced.get(name, on))

    def force(self, name: str, *, on: bool | None) -> None:
        """Have an output stick, whatever it is told; None lets go of it."""
        if on is None:
            self._forced.pop(name, None)
        else:
            self._forced[name] = on
        self._become(name, on=self._commanded[name] if on is None else on)

    def lose_power(self) -> None:
        """Let go of all relays, as a board does that is without power."""
        for name, output in self._outputs.items():
            self.command(name, on=output.inverted)

    def warm_share(self, name: str) -> float:
        """Return 0 for an output that is off, 1 for one that is warm, else the share of warm-up."""
        if not self.states[name]:
            return 0.0
        warm_up = self._outputs[name].warm_up.value
        passed = self._clock.monotonic() - self._since[name]
        return 1.0 if passed >= warm_up else passed / warm_up

    def _become(self, name: str, *, on: bool) -> None:
        if on is self.states[name]:
            return
        self._before()
        self.states[name] = on
        self.changes += 1
        if on:
            self._since[name] = self._clock.monotonic()
        self._after(name, on)


class GpioLine:
    """A line of the computer's own that switches one of the relays."""

    def __init__(self, relays: Relays, name: str) -> None:
        self._relays = relays
        self._name = name

    @property
    def board(self) -> Hashable:
        """See `Switch`."""
        return self._name

    async def set(self, on: bool) -> Reason:
        """Switch it."""
        self._relays.command(self._name, on=on)
        return Reason.OK

    async def get(self) -> bool | Reason | None:
        """Tell what it was told to be."""
        return self._relays.commanded(self._name)

    async def close(self) -> None:
        """Let go of the line, which stays as it is."""


def gpio_name(outputs: Mapping[str, Output], wanted: GpioOutput) -> str:
    """Return the name of the output on the same line of the same chip."""
    return next(
        name
        for name, output in outputs.items()
        if isinstance(output, GpioOutput)
        and (output.chip, output.line) == (wanted.chip, wanted.line)
    )
