"""Database files as files: copied, put in place, and gone for good when they are removed.

A file is on the disk once its content and the directory's entry of it are; a power cut may take
either without the other. So content is flushed first, then the file gets its name, then the
directory is flushed.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import NamedTuple

COMPANIONS = ("", "-wal", "-shm", "-journal")
"""What the names of the files of one SQLite database end in."""


class Place(NamedTuple):
    """What tells a file on a disk from every other, whatever its name."""

    device: int
    inode: int


def place(path: Path) -> Place | None:
    """Return the place of what lies at ``path``; None when nothing does, or it cannot be told."""
    try:
        found = path.stat()
    except OSError:
        return None
    return Place(found.st_dev, found.st_ino)


def beside(path: Path, ending: str) -> Path:
    """Return the path of a file that is named after another, with an ending."""
    return path.with_name(path.name + ending)


def size_of(path: Path) -> int:
    """Return a file's length in bytes, 0 where there is no such file."""
    return path.stat().st_size if path.exists() else 0


def copy_database(source: sqlite3.Connection, target: Path) -> None:
    """Copy a database, what is in its write-ahead log included; ``target`` then is all of it.

    Raises OSError, at once where there is no room, or sqlite3.Error; then there is no ``target``,
    or the one there was.
    """
    unfinished = beside(target, ".part")
    try:
        remove_database(unfinished)
        (count,) = source.execute("PRAGMA page_count").fetchone()
        (size,) = source.execute("PRAGMA page_size").fetchone()
        need_room(target.parent, count * size)
        with closing(sqlite3.connect(unfinished)) as copy:
            source.backup(copy)
            # A copy without companions, which nobody can forget to take along.
            copy.execute("PRAGMA journal_mode = DELETE")
        put_in_place(unfinished, target)
    except (OSError, sqlite3.Error):
        remove_database(unfinished)
        raise


def need_room(directory: Path, size: int) -> None:
    """Raise OSError unless so many bytes are free where ``directory`` is."""
    free = shutil.disk_usage(directory).free
    if free < size:
        raise OSError(
            f"the disk is too full: {size / 1e6:.1f} MB are needed, {free / 1e6:.1f} MB are free"
        )


def put_in_place(file: Path, target: Path) -> None:
    """Flush a closed database file and give it its name; what bore the name before is gone."""
    # A write-ahead log that bears the name belongs to another file.
    for companion in COMPANIONS[1:]:
        beside(target, companion).unlink(missing_ok=True)
    flush(file)
    file.replace(target)
    flush(target.parent)


def parts_of(path: Path) -> Iterator[Path]:
    """Yield what there is of a database: its file, and those that go with it."""
    return (part for companion in COMPANIONS if (part := beside(path, companion)).exists())


def rename_database(path: Path, name: Path) -> None:
    """Give a closed database another name, whatever there is of it; flushing is left to others."""
    for companion in COMPANIONS:
        if (part := beside(path, companion)).exists():
            part.rename(beside(name, companion))


def remove_database(path: Path) -> None:
    """Remove a database with its companions; nothing happens where there is none."""
    for companion in COMPANIONS:
        beside(path, companion).unlink(missing_ok=True)


def flush(path: Path) -> None:
    """Bring a file, or the entries of a directory, to the disk."""
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
