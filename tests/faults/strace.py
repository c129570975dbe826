"""What a program does to the files of a directory, call by call, as strace(1) sees it.

strace writes every string and path in hexadecimal (``-xx``), so what was written to the disk can be
read back out of its record. Calls that could change a file in some other way than the ones known
here are traced as well, so that one that turns up raises instead of being overlooked. Changes made
through a memory map cannot be seen; SQLite makes such changes to its ``-shm`` file alone, which is
memory by another name and never outlives a power cut.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

STRACE = shutil.which("strace")

_KNOWN = (
    "openat,pwrite64,write,lseek,fsync,fdatasync,ftruncate,unlink,unlinkat,rename,renameat,"
    "renameat2,link,linkat,mmap"
)
_UNKNOWN = (
    "open,creat,pwritev,pwritev2,writev,sync_file_range,truncate,fallocate,symlink,"
    "symlinkat,mkdir,mkdirat,copy_file_range,sendfile,splice,msync,sync,syncfs"
)

_HEX = r"(?:\\x[0-9a-f]{2})*"
_STRING = re.compile(rf'"({_HEX})"')
_HANDLE = re.compile(rf"\d+<({_HEX})>")
_MAPPED = re.compile(rf"\d<({_HEX})>")
_CALL = re.compile(r"(?P<pid>\d+) +(?P<call>\w+)\((?P<rest>.*)")
_UNFINISHED = re.compile(r"(?P<pid>\d+) +(?P<begun>\w+\(.*) <unfinished \.\.\.>")
_RESUMED = re.compile(r"(?P<pid>\d+) +<\.\.\. \w+ resumed>(?P<rest>.*)")
_RESULT = re.compile(r"\) += (-?\d+)[^\"]*$")

MEMORY_SUFFIX = "-shm"

AT_END = -1
"""Offset of what is written to a file opened to append: its length at that moment."""


@dataclass(frozen=True, slots=True)
class Opened:
    """A file was opened, and made where it was not there and ``create`` was asked for."""

    name: str
    create: bool
    empty: bool
    """Whether it was emptied by that."""


@dataclass(frozen=True, slots=True)
class Written:
    """Bytes were written at an offset, which may be `AT_END`."""

    name: str
    offset: int
    data: bytes


@dataclass(frozen=True, slots=True)
class Truncated:
    """The length of a file was set."""

    name: str
    length: int


@dataclass(frozen=True, slots=True)
class Synced:
    """A flush of a file has returned; of the directory itself where ``name`` is ""."""

    name: str


@dataclass(frozen=True, slots=True)
class Unlinked:
    """A name was taken away."""

    name: str


@dataclass(frozen=True, slots=True)
class Renamed:
    """A file was given another name, whatever bore that before."""

    old: str
    new: str


@dataclass(frozen=True, slots=True)
class Linked:
    """A file was given a second name."""

    old: str
    new: str


@dataclass(frozen=True, slots=True)
class Said:
    """The program wrote to its standard output: it is that far."""

    words: str


Operation = Opened | Written | Truncated | Synced | Unlinked | Renamed | Linked | Said


class UnknownCallError(Exception):
    """A program changed a file of the directory in a way that is not understood here."""


def trace(command: Sequence[str], directory: Path, record: Path) -> list[Operation]:
    """Run the command to its end; return what it and its children did to files in ``directory``.

    ``record`` is where strace's own record goes: some 20 kB for each 4 kB written. Raises
    CalledProcessError when the command fails, and UnknownCallError.
    """
    assert STRACE
    options = ["--follow-forks", "--seccomp-bpf", "-yy", "-xx", "-s", "1000000"]
    calls = f"trace={_KNOWN},{_UNKNOWN}"
    full = [STRACE, *options, "-o", str(record), "-e", calls, *command]
    subprocess.run(full, check=True, capture_output=True)
    with record.open(encoding="ascii") as lines:
        return list(operations(lines, directory.resolve()))


def operations(lines: Iterable[str], directory: Path) -> Iterator[Operation]:
    """Yield what the lines of a record say of files in ``directory``, and what was said.

    Raises UnknownCallError.
    """
    reader = _Reader(directory)
    begun: dict[str, str] = {}
    for line in lines:
        if match := _UNFINISHED.match(line):
            begun[match["pid"]] = match["begun"]
        elif match := _RESUMED.match(line):
            yield from reader.read(f"{match['pid']} {begun.pop(match['pid'])}{match['rest']}")
        else:
            yield from reader.read(line)


class _Reader:
    """Makes operations out of calls; knows where each process's open files stand."""

    def __init__(self, directory: Path) -> None:
        self._directory = directory
        self._offsets: dict[tuple[str, int], int] = {}

    def read(self, line: str) -> Iterator[Operation]:
        call, result = _CALL.match(line), _RESULT.search(line)
        if not (call and result) or int(result[1]) < 0:
            return
        rest = call["rest"]
        if call["call"] == "write" and rest.startswith("1<"):
            yield Said(_data(rest).decode())
            return
        names = self._names(call["call"], rest)
        if any(name is not None and not name.endswith(MEMORY_SUFFIX) for name in names):
            yield from self._done(call["call"], call["pid"], names, rest, int(result[1]))

    def _done(
        self, call: str, pid: str, names: list[str | None], rest: str, result: int
    ) -> Iterator[Operation]:
        name, arguments = str(names[0]), rest[: rest.rindex(")")].split(", ")
        match call:
            case "openat":
                flags = arguments[2].split("|")
                self._offsets[pid, result] = AT_END if "O_APPEND" in flags else 0
                yield Opened(name, "O_CREAT" in flags, "O_TRUNC" in flags)
            case "pwrite64":
                yield Written(name, int(arguments[-1]), _data(rest)[:result])
            case "write":
                yield Written(name, self._moved(pid, rest, by=result), _data(rest)[:result])
            case "lseek":
                self._moved(pid, rest, to=result)
            case "ftruncate":
                yield Truncated(name, int(arguments[-1]))
            case "fsync" | "fdatasync":
                yield Synced(name)
            case _:
                yield from _renamed_or_gone(call, names, rest)

    def _moved(self, pid: str, rest: str, by: int = 0, to: int | None = None) -> int:
        """Move where an open file stands; return where it stood."""
        number = int(rest[: rest.index("<")])
        before = self._offsets[pid, number]
        if before != AT_END:
            self._offsets[pid, number] = before + by if to is None else to
        return before

    def _names(self, call: str, rest: str) -> list[str | None]:
        """Return the names within the directory that a call is about; None for files elsewhere."""
        handle = _HANDLE.match(rest)
        if call == "mmap":
            paths = _MAPPED.findall(rest)
        else:
            paths = [handle[1]] if handle else _STRING.findall(rest)
        return [_name(_bytes(path), self._directory) for path in paths]


def _renamed_or_gone(call: str, names: list[str | None], rest: str) -> Iterator[Operation]:
    match call, names:
        case "unlink" | "unlinkat", [str(name)]:
            yield Unlinked(name)
        case "rename" | "renameat" | "renameat2", [str(old), str(new)]:
            yield Renamed(old, new)
        case "link" | "linkat", [str(old), str(new)]:
            yield Linked(old, new)
        case "mmap", _ if "MAP_SHARED" not in rest or "PROT_WRITE" not in rest:
            pass
        case _:
            raise UnknownCallError(f"{call} on {', '.join(map(str, names))}")


def _data(rest: str) -> bytes:
    """Return the first string among the arguments of a call."""
    found = _STRING.search(rest)
    assert found
    return _bytes(found[1])


def _name(path: bytes, directory: Path) -> str | None:
    """Return the name of a file within the directory, "" for itself, None for any other."""
    try:
        return str(Path(path.decode()).relative_to(directory)).removeprefix(".")
    except ValueError:
        return None


def _bytes(text: str) -> bytes:
    return bytes.fromhex(text.replace(r"\x", ""))
