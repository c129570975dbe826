"""What can be wrong with a station file, and how it is told."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, time
from difflib import get_close_matches
from typing import Any

KeyPath = tuple[str | int, ...]


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong: where (a path of keys), what was found there, what was expected."""

    key: KeyPath
    found: str
    expected: str


@dataclass(frozen=True, slots=True)
class LocatedFault:
    """A fault as shown to people; ``line`` is None where the whole file is at fault."""

    file: str
    line: int | None
    key: str
    found: str
    expected: str

    def __str__(self) -> str:
        where = self.file if self.line is None else f"{self.file}:{self.line}"
        key = f"{self.key}: " if self.key else ""
        return f"{where}: {key}found {self.found}, expected {self.expected}"


class StationFileError(Exception):
    """A station file cannot be used; ``faults`` holds every reason, in the file's order."""

    def __init__(self, faults: list[LocatedFault]) -> None:
        super().__init__("\n".join(str(fault) for fault in faults))
        self.faults = faults


def dotted(key: KeyPath) -> str:
    """Write a key path as ``channels.level.range[1]``."""
    text = ""
    for part in key:
        if isinstance(part, int):
            text += f"[{part}]"
        else:
            text += f".{part}" if text else part
    return text


def shown(value: Any) -> str:
    """Write a value of a station file in few words."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, date | time):
        return value.isoformat()
    if isinstance(value, list):
        return "a list"
    return repr(value)


def listed(names: Iterable[str]) -> str:
    """Write names as ``"a", "b", "c"``."""
    return ", ".join(f'"{name}"' for name in names)


def suggestion(name: str, names: Iterable[str]) -> str:
    """Return `` (did you mean "x"?)`` for the name that comes nearest, or nothing if none does."""
    near = get_close_matches(name, list(names), n=1)
    return f' (did you mean "{near[0]}"?)' if near else ""


def not_there(key: KeyPath, name: str, what: str, there: Iterable[str]) -> Fault:
    """Return the fault of naming something that is not one of ``what``."""
    there = list(there)
    if not there:
        return Fault(key, repr(name), f"one of {what}, of which there are none")
    return Fault(key, repr(name), f"one of {what}: {listed(there)}{suggestion(name, there)}")
