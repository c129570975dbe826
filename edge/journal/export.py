"""Reading a journal from another process, while the daemon writes: for people and for scripts."""

from __future__ import annotations

import csv
import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any, TextIO

from sqlite_utils import Database

from edge.clock import iso_utc
from edge.journal import gaps
from edge.journal.errors import JournalError, is_of_the_disk
from edge.journal.layout import LAYOUT_VERSION
from edge.journal.rows import is_sound
from edge.readings import Gap, Journalled
from edge.status import BY_CODE, Reason
from edge.units import UNITS, Unit

_PACK = 1000


@dataclass(frozen=True, slots=True)
class Summary:
    """What a journal holds; had without going through its readings."""

    identity: str
    newest: int
    """The highest number given out."""
    held: int
    """At most so many readings are there: numbers from the oldest to the newest."""
    unsent: int
    """Numbers that the broker has not acknowledged and no gap accounts for."""
    untimed: int
    """Of them, those that wait for their true time."""
    gaps: tuple[Gap, ...]
    size: int
    """Bytes of the file."""


class JournalReader:
    """A journal opened for reading only.

    Raises JournalError when there is none at ``path``, or one this program cannot read.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        if not path.is_file():
            raise JournalError(
                f"{path}: found no journal, expected the file a daemon has written"
                " (--journal names it)"
            )
        if not path.stat().st_size:
            # SQLite, asked to read an empty file only, deletes the log beside it.
            raise JournalError(f"{path}: found an empty file, expected a journal")
        try:
            self._db = Database(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True))
            (version,) = self._db.execute("PRAGMA user_version").fetchone()
            if version != LAYOUT_VERSION:
                raise JournalError(
                    f"{path}: found layout {version}, expected a journal of layout {LAYOUT_VERSION}"
                )
            series = list(self._db["series"].rows)
            self._series = {row["id"]: row["name"] for row in series}
            self.base_units = {row["name"]: UNITS[row["unit"]] for row in series}
            """Unit of every series' values in the journal, by its name."""
            self._untimed_from: int | None = self._one("SELECT min(first) FROM untimed")
        except sqlite3.Error as error:
            hint = ". Is the disk full? The daemon goes on" if is_of_the_disk(error) else ""
            raise JournalError(f"{path}: {error}{hint}") from None

    @property
    def senml_units(self) -> dict[str, str]:
        """SenML unit of every series, by its name."""
        return {name: unit.senml for name, unit in self.base_units.items()}

    def rows(
        self, since_ms: int | None = None, until_ms: int | None = None, series: Sequence[str] = ()
    ) -> Iterator[Journalled]:
        """Yield readings in book order: from ``since_ms`` on, before ``until_ms``, of ``series``.

        What is left out does not limit. Damaged rows are left out; a good reading whose true time
        is not known yet comes with the time it was given, unsure.
        """
        ids = [id_ for id_, name in self._series.items() if not series or name in series]
        conditions = [f"series IN ({','.join('?' * len(ids))})"]
        values: list[int] = ids
        for condition, value in (("utc_ms >= ?", since_ms), ("utc_ms < ?", until_ms)):
            if value is not None:
                conditions.append(condition)
                values.append(value)
        for row in self._db["reading"].rows_where(" AND ".join(conditions), values, order_by="seq"):
            content = tuple(row.values())
            if is_sound(content):
                yield self._reading(*content[:5])

    def gaps(self) -> list[Gap]:
        """Return every stated gap in the numbers, in rising order."""
        return gaps.all_of(self._db.conn)

    def summary(self) -> Summary:
        """Return what the journal holds; as quick on a large file as on a small one.

        Raises JournalError when the file cannot be read.
        """
        try:
            stated = self.gaps()
            oldest = self._one("SELECT min(seq) FROM reading")
            top = self._one("SELECT max(seq) FROM reading") or 0
            newest = max([top, *(gap.last for gap in stated)])
            sent = self._db.execute("SELECT first, last FROM sent")
            settled = gaps.nothing_to_send(sent, stated)
            return Summary(
                str(self._one("SELECT id FROM identity")),
                newest,
                held=top - oldest + 1 if oldest else 0,
                unsent=sum(last - first + 1 for first, last in settled.gaps(1, newest)),
                untimed=self._one("SELECT sum(last - first + 1) FROM untimed") or 0,
                gaps=tuple(stated),
                size=self._one("PRAGMA page_count") * self._one("PRAGMA page_size"),
            )
        except sqlite3.Error as error:
            raise JournalError(f"{self._path}: {error}") from None

    def _reading(
        self, seq: int, series: int, utc_ms: int, value: float | None, status: int
    ) -> Journalled:
        reason = BY_CODE.get(status, Reason.INTERNAL)
        if reason is Reason.OK and self._untimed_from and seq >= self._untimed_from:
            reason = Reason.TIME_UNSURE
        return Journalled(seq, self._series[series], utc_ms, value, reason)

    def _one(self, query: str) -> Any:
        return self._db.execute(query).fetchone()[0]

    def in_packs(self, rows: Iterable[Journalled]) -> Iterator[list[Journalled]]:
        """Cut rows into lists of a bounded length."""
        rows = iter(rows)
        while pack := list(islice(rows, _PACK)):
            yield pack


def write_csv(rows: Iterable[Journalled], out: TextIO, shown: Mapping[str, Unit]) -> None:
    """Write readings as CSV, one a line, in the unit that ``shown`` names for their series."""
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["seq", "time", "series", "value", "unit", "quality", "status"])
    for row in rows:
        unit = shown[row.series]
        writer.writerow(
            [
                row.seq,
                iso_utc(row.utc_ms),
                row.series,
                "" if row.value is None else f"{unit.from_base(row.value):.15g}",
                unit.symbol,
                row.reason.quality.name.lower(),
                row.reason.slug,
            ]
        )
