"""Salvage of a damaged journal: set it aside, and put a sound one with what was readable in place.

Theory of operation. The damaged file becomes ``NAME.damaged``, its write-ahead log follows; a new
journal is built under another name (`edge.journal.rebuild`), flushed, and renamed to ``NAME``; then
the damaged one gets the time of its last change as part of its name, which says that it is done
with: it must never be salvaged again, for the new journal has gone on with the numbers. Whenever a
power cut comes, either the step before or the step after has happened, and `rescue` goes on from
there. One damaged file is kept, the newest. Where there is no room for a new journal nothing is
begun: a rescue that cannot succeed may be tried for months.

It runs as a process of its own (``python -m edge.journal.salvage FILE``): a file that leads it into
a trap, or takes much memory, does not take the daemon along.
"""

from __future__ import annotations

import json
import re
import shutil
import sqlite3
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from edge.journal import room
from edge.journal.about import about
from edge.journal.apart import run_apart
from edge.journal.damaged import DamagedFile
from edge.journal.errors import JournalError
from edge.journal.files import (
    beside,
    flush,
    need_room,
    parts_of,
    put_in_place,
    remove_database,
    rename_database,
    size_of,
)

_MISSING = {
    "identity": "it goes on as a new journal, and all readings are sent again",
    "series": "of readings whose channel is not known any more nothing could be kept",
    "sent": "what had been sent is not known for certain, and is sent again",
    "state": "what some channels had to remember, such as totals, is older or gone",
    "untimed": "the time of readings that waited for the clock to be set is an estimate",
}


# Four times what `edge.journal.opening.connect` lets it keep: more than this is no slip of a bit in
# an ordinary round, and would keep a small computer from starting in time.
_LONGEST_LOG = 16 * 1024 * 1024


@dataclass(frozen=True, slots=True)
class Rescued:
    """What was salvaged: so many ``readings`` of as many as ``expected``, from ``quarantine``.

    What is expected is an estimate: the numbers between those known that had been neither deleted
    nor stated to be missing. ``lacking`` names the tables that were not whole.
    """

    readings: int
    expected: int
    quarantine: Path
    lacking: tuple[str, ...] = ()

    @property
    def words(self) -> str:
        """What happened, for the log and for people."""
        words = (
            f"the journal's file was damaged: {self.readings} of {self.expected} readings were"
            f" salvaged, the damaged file is kept as {self.quarantine.name}"
        )
        lacking = (words for table, words in _MISSING.items() if table in self.lacking)
        return "; ".join([words, *lacking])


def rescue(path: Path) -> Rescued:
    """Set the damaged journal at ``path`` aside and leave a sound one in its place.

    Nobody may have the file open: SQLite would remove the new file's log when it closes the old.
    Raises JournalError when it cannot be done; then it can be tried again.
    """
    try:
        told = json.loads(run_apart("edge.journal.salvage", path))
        quarantine = path.with_name(told["quarantine"])
        return Rescued(told["readings"], told["expected"], quarantine, tuple(told["lacking"]))
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise JournalError(f"{path}: damaged, and could not be salvaged: {error}") from None


def unfinished(path: Path) -> bool:
    """Tell whether a rescue was broken off before there was a new journal at ``path``."""
    return not path.exists() and any(parts_of(_set_aside(path)))


def log_breaks_off(path: Path) -> bool:
    """Tell whether SQLite would leave out, without a word, what was committed to the log of `path`.

    To be asked before SQLite opens the file, for then it writes over the rest. Takes about 0.1 ms a
    page of the log, on a small computer ten times as much, and there is one only after a power cut
    or the like. A log far longer than they should get is not looked into.
    """
    if size_of(beside(path, "-wal")) > _LONGEST_LOG:
        return False
    with DamagedFile(path) as file:
        return file.log_breaks_off


def discard_kept(path: Path) -> None:
    """Delete the files kept beside a sound journal at ``path``: the disk has no room for them.

    These are damaged ones that were salvaged, and the one that another was put in the place of.
    """
    discard_quarantine(path)
    remove_database(_set_aside(path))
    remove_database(beside(path, ".replaced"))


def discard_quarantine(path: Path) -> None:
    """Delete the damaged files beside ``path`` that were salvaged; they have a date in the name."""
    for file in list(_quarantined(path)):
        file.unlink(missing_ok=True)


def _salvage(path: Path) -> dict[str, object]:
    """Do what `rescue` promises, or the rest of it; return what it says."""
    # What it takes to rebuild a journal is no business of the process that asks for it.
    from edge.journal.rebuild import rebuild  # noqa: PLC0415

    aside, new = _set_aside(path), beside(path, ".salvaged")
    remove_database(new)
    if path.exists() and any(parts_of(aside)):
        # That one was salvaged already, and lacked but its last name.
        _retire(path)
    keep_sent = _make_room(path, aside if any(parts_of(aside)) else path)
    rename_database(path, aside)
    flush(path.parent)
    try:
        _lay_out(new)
        done = rebuild(aside, new, about(path), _changed_ms(aside), keep_sent=keep_sent)
        put_in_place(new, path)
    except (OSError, sqlite3.Error):
        remove_database(new)
        raise
    return {
        "readings": done.readings,
        "expected": done.expected,
        "quarantine": _retire(path).name,
        "lacking": sorted(done.lacking & _MISSING.keys()),
    }


def _make_room(path: Path, source: Path) -> bool:
    """Make sure that there is room for what is in ``source``; tell whether for all of it.

    Otherwise only for what was not sent. The damaged file kept of an earlier time goes only where
    that is enough. Raises OSError when it is not.
    """
    free = shutil.disk_usage(path.parent).free
    if free >= room.of_all(source):
        return True
    needed = room.of_unsent(source)
    kept = sum(file.stat().st_size for file in _quarantined(path))
    if free < needed <= free + kept:
        discard_quarantine(path)
    need_room(path.parent, needed)
    return False


def _retire(path: Path) -> Path:
    """Give the file set aside, which has been salvaged, its last name; return that."""
    discard_quarantine(path)
    aside = _set_aside(path)
    moment = datetime.fromtimestamp(_changed_ms(aside) // 1000, UTC)
    quarantine = beside(path, f".damaged-{moment:%Y%m%dT%H%M%SZ}")
    rename_database(aside, quarantine)
    flush(path.parent)
    return quarantine


def _changed_ms(path: Path) -> int:
    return max((file.stat().st_mtime_ns for file in parts_of(path)), default=0) // 1_000_000


def _lay_out(path: Path) -> None:
    """Make a new journal; raise OSError where that cannot be done."""
    run_apart("edge.journal.migrations", path)


def _set_aside(path: Path) -> Path:
    return beside(path, ".damaged")


def _quarantined(path: Path) -> Iterator[Path]:
    dated = re.compile(re.escape(_set_aside(path).name) + r"-\d{8}T.*")
    return (file for file in path.parent.iterdir() if dated.fullmatch(file.name))


def main() -> None:
    """Salvage the journal that the command line names, and print what came of it."""
    try:
        told = _salvage(Path(sys.argv[1]))
    except (OSError, sqlite3.Error) as error:
        sys.exit(str(error))
    sys.stdout.write(json.dumps(told))


if __name__ == "__main__":
    main()
