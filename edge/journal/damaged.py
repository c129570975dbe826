"""A damaged database as a file: its pages as they last were, and all other pages there still are.

Nothing here writes, and no error of the disk gets out: a page that cannot be read is not there.
"""

from __future__ import annotations

import os
from array import array
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import NamedTuple, Self

from edge.journal import pages, wal
from edge.journal.files import beside

_USUAL = pages.Shape()

# A power cut may leave one transaction half written; the next is written only when it is safe.
_COMMITS_THAT_PROVE = 2


class Stray(NamedTuple):
    """A version of a page that `DamagedFile.page` does not give, or nobody asked for."""

    number: int
    page: bytes
    older: bool
    """Whether a newer version was committed, lost though it may be."""
    sound: bool
    """False where its checksum says that it is damaged."""


class DamagedFile:
    """A database file with the write-ahead log beside it, opened for reading; either may lack."""

    def __init__(self, path: Path) -> None:
        self._file = _opened(path)
        self._log = _opened(beside(path, "-wal"))
        header = _read(self._file, 0, 100)
        from_log = wal.page_size(self._of_log(0, 32))
        self.shape = pages.shape_of(header) or pages.Shape(from_log or _USUAL.page_size)
        self.log_broken = False
        """Whether frames are damaged that had been committed."""
        self.log_blind = False
        """Whether of some of these nobody knows whose page it was."""
        self.log_breaks_off = False
        """Whether SQLite would stop at a damaged frame, and whole transactions lie behind it."""
        self._newest: dict[int, int] = {}
        self._bad: set[int] = set()  # offsets of damaged pages
        self._frames = array("Q")  # page number and offset, in turn
        self._left_over = array("Q")
        self._read_log()
        self.size = 0 if self._file is None else os.fstat(self._file).st_size
        """Bytes of the file, without its log."""
        believed = (number for number, at in self._newest.items() if at not in self._bad)
        self.count = max([self.size // self.shape.page_size, *believed])
        """How many pages there are, or should be between those there are."""
        self.missing = max(0, pages.pages_by_header(self.page(1)) - self.count)
        """How many more there should be by the file's own account."""

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        for descriptor in (self._file, self._log):
            if descriptor is not None:
                os.close(descriptor)

    def page(self, number: int) -> bytes:
        """Return a page as it was last committed; b"" if there is none, or that is damaged.

        An older version of a page does not stand for it: readings there may have a time that was
        put right since.
        """
        at = self._newest.get(number)
        if at is None:
            return self._in_file(number)
        return b"" if at in self._bad else self._of_log(at, self.shape.page_size)

    def strays(self, seen: bytearray) -> Iterator[Stray]:
        """Yield all versions of pages but those that `page` gives and ``seen`` has marked.

        The newest come first: the log's, the file's, then what the log holds of earlier rounds.
        """
        yield from self._from_log(self._frames, seen)
        for number in range(1, self.count + 1):
            in_log = number in self._newest
            if in_log or not seen[number]:
                yield Stray(number, self._in_file(number), older=in_log, sound=True)
        yield from self._from_log(self._left_over, seen)

    def _from_log(self, frames: array[int], seen: bytearray) -> Iterator[Stray]:
        for index in range(len(frames) - 2, -1, -2):
            number, at = frames[index], frames[index + 1]
            newest = self._newest.get(number) == at
            if not (newest and number < len(seen) and seen[number]):
                page = self._of_log(at, self.shape.page_size)
                yield Stray(number, page, older=not newest, sound=at not in self._bad)

    def _read_log(self) -> None:
        """Sort the frames of the log: what was committed, what is damaged, what is left over."""
        waiting: list[wal.Frame] = []  # of a transaction whose end has not come
        damaged, behind = False, 0
        for frame in wal.frames(self._of_log, self.shape.page_size):
            waiting.append(frame)
            if not (frame.sound and frame.current):
                damaged = True
            elif frame.commits:
                self.log_broken = self.log_broken or damaged
                behind += damaged
                for one in waiting:
                    self._commit(one)
                waiting.clear()
        self.log_breaks_off = behind >= _COMMITS_THAT_PROVE
        for frame in waiting:
            # The current ones here were never committed: their readings never came to exist.
            if not frame.current:
                self._left_over.extend((frame.page, frame.at))

    def _commit(self, frame: wal.Frame) -> None:
        self._frames.extend((frame.page, frame.at))
        sound = frame.sound and frame.current
        if not sound:
            self._bad.add(frame.at)
        if not frame.current:
            self.log_blind = True  # its head is damaged
        elif sound or frame.page != 1:
            # Of the first page an older version does: where the tables begin never changes.
            self._newest[frame.page] = frame.at

    def _in_file(self, number: int) -> bytes:
        size = self.shape.page_size
        page = _read(self._file, (number - 1) * size, size) if number > 0 else b""
        return page if len(page) == size else b""

    def _of_log(self, at: int, size: int) -> bytes:
        return _read(self._log, at, size)


def _opened(path: Path) -> int | None:
    try:
        return os.open(path, os.O_RDONLY)
    except FileNotFoundError:
        return None


def _read(descriptor: int | None, at: int, size: int) -> bytes:
    if descriptor is not None:
        with suppress(OSError):
            return os.pread(descriptor, size, at)
    return b""
