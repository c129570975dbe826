"""Reading a journal from another process, while the daemon writes: for people and for scripts."""

from __future__ import annotations

import csv
import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import islice
from pathlib import Path
from typing import TextIO

from sqlite_utils import Database

from edge.clock import iso_utc
from edge.journal.journal import JournalError
from edge.journal.layout import LAYOUT_VERSION
from edge.readings import Journalled
from edge.status import BY_CODE, Reason
from edge.units import UNITS, Unit

_PACK = 1000


class JournalReader:
    """A journal opened for reading only.

    Raises JournalError when there is none at ``path``, or one this program cannot read.
    """

    def __init__(self, path: Path) -> None:
        if not path.is_file():
            raise JournalError(
                f"{path}: found no journal, expected the file a daemon has written"
                " (--journal names it)"
            )
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
        except sqlite3.Error as error:
            raise JournalError(f"{path}: {error}") from None

    @property
    def senml_units(self) -> dict[str, str]:
        """SenML unit of every series, by its name."""
        return {name: unit.senml for name, unit in self.base_units.items()}

    def rows(
        self, since_ms: int | None = None, until_ms: int | None = None, series: Sequence[str] = ()
    ) -> Iterator[Journalled]:
        """Yield readings in book order: from ``since_ms`` on, before ``until_ms``, of ``series``.

        What is left out does not limit.
        """
        ids = [id_ for id_, name in self._series.items() if not series or name in series]
        conditions = [f"series IN ({','.join('?' * len(ids))})"]
        values: list[int] = ids
        for condition, value in (("utc_ms >= ?", since_ms), ("utc_ms < ?", until_ms)):
            if value is not None:
                conditions.append(condition)
                values.append(value)
        for row in self._db["reading"].rows_where(" AND ".join(conditions), values, order_by="seq"):
            reason = BY_CODE.get(row["status"], Reason.INTERNAL)
            yield Journalled(
                row["seq"], self._series[row["series"]], row["utc_ms"], row["value"], reason
            )

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
