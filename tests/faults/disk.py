"""A disk that loses its power: what of the writes it had been given is on it afterwards.

The model. What was flushed is there (`Synced` of the file). Of what was written to a file since its
last flush, each sector of 512 bytes is there or not, whatever the order of the writes; now and then
one is torn: new up to some byte, old beyond. A file that grew may be there at its new length with
noughts in it. A change of the directory (a file made, renamed, taken away) is sure once the
directory was flushed; of those since, some first few are there: file systems keep a journal of
them, in order. A file that was flushed under a name that was not may be gone altogether.

Not in the model: a drive that says it has flushed and has not, one that damages sectors it was not
writing to, and one whose sectors are larger than they look, such as a memory card that loses a
whole erase block. (A salvage after such damage is another scenario.)
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from itertools import pairwise
from random import Random

from tests.faults.strace import (
    AT_END,
    Linked,
    Opened,
    Operation,
    Renamed,
    Said,
    Synced,
    Truncated,
    Unlinked,
    Written,
)

SECTOR = 512

# How much of what was not flushed makes it to the disk: nothing, all, or anything in between.
_SHARES_KEPT = (0.0, 0.1, 0.5, 0.9, 1.0)
_TORN = 0.02


class _File:
    """A file as a program sees it, as it surely is on the disk, and what lies between."""

    def __init__(self, content: bytes = b"") -> None:
        self.seen = bytearray(content)
        self.sure = bytearray(content)
        self.pending: list[Written | Truncated] = []

    def change(self, change: Written | Truncated) -> None:
        self.pending.append(change)
        _apply(self.seen, change)

    def sync(self) -> None:
        for change in self.pending:
            _apply(self.sure, change)
        self.pending.clear()

    def after_cut(self, rng: Random, kept: float, fates: Counter[str]) -> bytes:
        content = bytearray(self.sure)
        for change in self.pending:
            if isinstance(change, Truncated):
                if rng.random() < kept:
                    _apply(content, change)
                continue
            for sector in _sectors(change):
                fate = _fate(rng, kept)
                fates[fate] += 1
                if fate == "kept":
                    _apply(content, sector)
                elif fate == "torn":
                    whole = rng.randrange(len(sector.data))
                    _apply(content, Written("", sector.offset, sector.data[:whole]))
                elif rng.random() < kept:
                    _lengthen(content, sector.offset + len(sector.data))
        return bytes(content)


class Disk:
    """A directory on a disk, and what is done to the files in it; ``files`` are there already."""

    def __init__(self, files: Mapping[str, bytes] | None = None) -> None:
        self.fates: Counter[str] = Counter()
        """What became of unflushed sectors, over all cuts: kept, dropped, torn."""
        self._seen = {name: _File(content) for name, content in (files or {}).items()}
        self._sure = dict(self._seen)
        self._pending: list[dict[str, _File | None]] = []

    def do(self, operation: Operation) -> None:
        """Carry out what a program did."""
        match operation:
            case Opened():
                self._open(operation)
            case Written(name, offset, data):
                file = self._seen[name]
                at = len(file.seen) if offset == AT_END else offset
                file.change(Written(name, at, data))
            case Truncated(name):
                self._seen[name].change(operation)
            case Synced(name):
                self._sync(name)
            case Unlinked(name):
                self._enter({name: None})
            case Renamed(old, new):
                self._enter({new: self._seen[old], old: None})
            case Linked(old, new):
                self._enter({new: self._seen[old]})
            case Said():
                pass

    def seen(self) -> dict[str, bytes]:
        """Return the files as a program sees them that reads them now."""
        return {name: bytes(file.seen) for name, file in self._seen.items()}

    def after_cut(self, rng: Random) -> dict[str, bytes]:
        """Return the files that would be found if the power went now; it does not."""
        entries = dict(self._sure)
        for change in self._pending[: rng.randint(0, len(self._pending))]:
            _change(entries, change)
        kept = rng.choice(_SHARES_KEPT)
        return {name: file.after_cut(rng, kept, self.fates) for name, file in entries.items()}

    def _open(self, opened: Opened) -> None:
        name = opened.name
        if name and name not in self._seen and opened.create:
            self._enter({name: _File()})
        if opened.empty:
            self._seen[name].change(Truncated(name, 0))

    def _sync(self, name: str) -> None:
        if name:
            self._seen[name].sync()
        else:
            self._sure = dict(self._seen)
            self._pending.clear()

    def _enter(self, change: dict[str, _File | None]) -> None:
        self._pending.append(change)
        _change(self._seen, change)


def _change(entries: dict[str, _File], change: dict[str, _File | None]) -> None:
    for name, file in change.items():
        if file is None:
            entries.pop(name, None)
        else:
            entries[name] = file


def _fate(rng: Random, kept: float) -> str:
    if 0 < kept < 1 and rng.random() < _TORN:
        return "torn"
    return "kept" if rng.random() < kept else "dropped"


def _sectors(write: Written) -> list[Written]:
    """Cut a write at the borders of sectors."""
    end = write.offset + len(write.data)
    borders = [write.offset, *range(write.offset // SECTOR * SECTOR + SECTOR, end, SECTOR), end]
    return [
        Written(write.name, begin, write.data[begin - write.offset : until - write.offset])
        for begin, until in pairwise(borders)
    ]


def _apply(content: bytearray, change: Written | Truncated) -> None:
    if isinstance(change, Truncated):
        del content[change.length :]
        _lengthen(content, change.length)
    else:
        _lengthen(content, change.offset)
        content[change.offset : change.offset + len(change.data)] = change.data


def _lengthen(content: bytearray, length: int) -> None:
    content.extend(bytes(max(0, length - len(content))))
