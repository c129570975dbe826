"""What is believed of the records found in a damaged journal, table by table.

A record is known by its shape: no two tables of a journal have the same. A reading bears a mark of
its own content besides; what the smaller tables hold is believed when it makes sense.
"""

from __future__ import annotations

import json
import re
import struct
from collections.abc import Iterator, Sequence
from typing import NamedTuple

from edge.journal.about import SeriesRow
from edge.journal.pages import Value, Values
from edge.journal.ranges import RangeSet
from edge.journal.rows import is_sound, mark
from edge.readings import Condense, Gap, WhyGone
from edge.status import BY_CODE, Reason
from edge.units import UNITS

_IDENTITY = re.compile(r"[0-9a-f]{16}")
_CONDENSE = {condense.value for condense in Condense}
_WHY = {why.value: why for why in WhyGone}

DROPPED = "dropped"
"""What took the place of the table ``gap`` before layout 3."""

ReadingRow = tuple[int, int, int, float | None, int, int]


class UntimedRow(NamedTuple):
    """A row of the table ``untimed``."""

    first: int
    last: int
    boot: str
    offset_ms: int


def reading_of(seq: int, values: Values, *, unmarked: bool = False) -> ReadingRow | None:
    """Return a record as a row of the table ``reading``; None if it is none, or a damaged one.

    ``unmarked`` ones, of the layouts before marks, are given theirs.
    """
    if values[:1] != (None,) or len(values) != (5 if unmarked else 6):
        return None
    _, series, utc_ms, value, status, *marks = values
    try:
        if unmarked:
            if status not in BY_CODE or seq < 1:
                return None
            marks = [mark(seq, series, utc_ms, value, status)]  # type: ignore[arg-type]
        row: ReadingRow = (seq, series, utc_ms, value, status, marks[0])  # type: ignore[assignment]
        return row if is_sound(row) else None
    except (struct.error, TypeError):
        return None


def in_doubt(row: ReadingRow) -> ReadingRow:
    """Return a reading as one whose time may have been put right since.

    Where it has no value the reason stands; what was thinned had its true time before.
    """
    seq, series, utc_ms, value, status, _ = row
    if value is None or status == Reason.THINNED.code:
        return row
    content = seq, series, utc_ms, value, Reason.TIME_UNSURE.code
    return (*content, mark(*content))


class Remains:
    """What was found of the smaller tables. Of two that differ, the one found first stands."""

    def __init__(self) -> None:
        self.identity = ""
        self.series: dict[int, SeriesRow] = {}
        self.sent = RangeSet()
        self.gaps: dict[int, tuple[Gap, bool]] = {}
        """Gaps by their first number, and whether each was told."""
        self.untimed: dict[int, UntimedRow] = {}
        self.states: dict[str, str] = {}

    def row(self, row_id: int, values: Values) -> str:
        """Take in a row and return the name of its table, "" where it makes no sense."""
        match values:
            case (str(identity),) if _IDENTITY.fullmatch(identity):
                self.identity = self.identity or identity
                return "identity"
            case (None, str(name), str(unit), *more) if unit in UNITS and _condenses(more):
                condense = str(more[0]) if more else Condense.MEAN.value
                self.series.setdefault(row_id, SeriesRow(name, unit, condense))
                return "series"
            case (None, int(last), *more) if 1 <= row_id <= last:
                return self._range(row_id, last, tuple(more))
        return ""

    def record(self, values: Values) -> str:
        """Take in a record of an index; return "state" if it is one of that table, "" if not."""
        match values:
            case (str(channel), str(state)) if _is_state(state):
                self.states.setdefault(channel, state)
                return "state"
        return ""

    def _range(self, first: int, last: int, values: Values) -> str:
        match values:
            case ():
                self.sent.add(first, last)
                return "sent"
            case (
                str(why),
                None | int() as since,
                None | int() as until,
                int(noted),
                0 | 1 as told,
            ) if why in _WHY:
                gap = Gap(first, last, _WHY[why], since, until, noted)
                self.gaps.setdefault(first, (gap, bool(told)))
                return "gap"
            case (int(noted), str()):
                gap = Gap(first, last, WhyGone.DROPPED, None, None, noted)
                self.gaps.setdefault(first, (gap, False))
                return DROPPED
            case (str(boot), int(offset)):
                self.untimed.setdefault(first, UntimedRow(first, last, boot, offset))
                return "untimed"
        return ""

    def disbelieve_beyond(self, highest: int) -> None:
        """Forget ranges that reach beyond ``highest``: no such numbers can have been given out."""
        self.sent = RangeSet(run for run in self.sent if run[1] <= highest)
        self.gaps = {key: gap for key, gap in self.gaps.items() if gap[0].last <= highest}
        self.untimed = {key: row for key, row in self.untimed.items() if row.last <= highest}

    def lasts(self) -> Iterator[int]:
        """Yield the last number of every range."""
        yield from (last for _, last in self.sent)
        yield from (gap.last for gap, _ in self.gaps.values())
        yield from (row.last for row in self.untimed.values())


def _condenses(more: Sequence[Value]) -> bool:
    return not more or (len(more) == 1 and more[0] in _CONDENSE)


def _is_state(text: str) -> bool:
    try:
        return isinstance(json.loads(text), dict)
    except ValueError:
        return False
