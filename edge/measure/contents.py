"""Channels computed from the depth of a liquid: what a tank holds, what a weir or flume passes."""

from __future__ import annotations

from collections.abc import Sequence

from edge.measure.derived import Derived, Outcome, titled
from edge.measure.primary import Primary
from edge.measure.tanks import Tank, measure
from edge.measure.values import Step
from edge.readings import Series
from edge.units import UNITS, Unit


class TankContents(Derived):
    """Volume and ullage in m³, and the share of the tank that is filled.

    Input: a depth (m), read ``offset`` metres above the tank's lowest point.
    """

    def __init__(
        self,
        channel: str,
        source: str,
        tank: Tank,
        *,
        offset: float,
        shown: Unit,
        title: str = "",
    ) -> None:
        super().__init__(
            [source],
            [
                Series(f"{channel}.volume", shown, titled(title, "volume")),
                Series(f"{channel}.ullage", shown, titled(title, "ullage")),
                Series(f"{channel}.filled", UNITS["%"], titled(title, "filled")),
            ],
        )
        self._tank = tank
        self._offset = offset

    def _evaluate(self, numbers: Sequence[float], utc_ms: int) -> list[Outcome]:
        del utc_ms
        contents = measure(self._tank, numbers[0] + self._offset)
        return [
            (contents.volume, contents.reason),
            (contents.ullage, contents.reason),
            (contents.fraction, contents.reason),
        ]


class OpenChannelFlow(Derived):
    """The flow over a weir or through a flume, in m³/s.

    Input: a level (m) that reads ``zero`` when the water stands at the crest, the bottom of the
    notch, or the floor of the flume.
    """

    def __init__(
        self, series: Series, source: str, primary: Primary, *, zero: float, head_shown: Unit
    ) -> None:
        super().__init__([source], [series])
        self._primary = primary
        self._zero = zero
        self._head_shown = head_shown

    def _evaluate(self, numbers: Sequence[float], utc_ms: int) -> list[Outcome]:
        del utc_ms
        return [self._primary.flow(numbers[0] - self._zero)]

    def _steps(self, numbers: Sequence[float], utc_ms: int) -> list[Step]:
        head = Step("head", numbers[0] - self._zero, self._head_shown)
        return [head, *super()._steps(numbers, utc_ms)]
