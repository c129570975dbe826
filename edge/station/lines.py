"""Where in a TOML text each key stands.

Theory of operation. `tomllib` says what a text means and forgets where it was said. This module
does the opposite: it walks through the text just closely enough to know where keys, strings,
brackets and comments begin and end, and notes a line for every key path, without understanding a
single value. Where the text is not TOML it notes what it can and goes on with the next line; it
never raises. What it says about a text that `tomllib` accepts is exact.
"""

from __future__ import annotations

import re
import tomllib
from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import accumulate

from edge.station.faults import KeyPath

_STRING = re.compile(
    r'"""(?:[^\\]|\\.)*?"{3,5}'
    r"|'''.*?'{3,5}"
    r'|"(?!"")(?:[^"\\\n]|\\[^\n])*"'
    r"|'(?!'')[^'\n]*'",
    re.DOTALL,
)
_QUOTED_KEY = r'"(?:[^"\\\n]|\\[^\n])*"|\'[^\'\n]*\''
_KEY_PART = re.compile(rf"[ \t]*({_QUOTED_KEY}|[A-Za-z0-9_-]+)[ \t]*")
_BARE_VALUE = re.compile(r"[^,\[\]{}#\n\"']+")
_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_SPACES = re.compile(r"[ \t\r]*")

# Far deeper than any station file, far from Python's own limit.
_DEEPEST = 50


@dataclass(frozen=True, slots=True)
class Statement:
    """A table header or an assignment."""

    key: KeyPath
    """What it names, as far as that could be read."""
    first_line: int
    last_line: int
    is_table: bool
    earlier_line: int | None
    """Where the same name was first given, if this is not the first time."""
    unfinished: bool
    """Whether a quote or bracket is never closed."""


@dataclass(frozen=True, slots=True)
class Lines:
    """The key paths of a text and the lines they stand on, counted from 1."""

    places: Mapping[KeyPath, int]
    statements: tuple[Statement, ...]

    def line_of(self, key: KeyPath) -> int | None:
        """Return the line of a key, or else of the nearest key around it that has one."""
        for length in range(len(key), 0, -1):
            if key[:length] in self.places:
                return self.places[key[:length]]
        return None

    def statement_at(self, line: int) -> Statement | None:
        """Return the statement that a line is part of."""
        for statement in self.statements:
            if statement.first_line <= line <= statement.last_line:
                return statement
        return None


def find_lines(text: str) -> Lines:
    """Note where in a TOML text, good or bad, each key stands."""
    scanner = _Scanner(text)
    scanner.scan()
    return Lines(scanner.places, tuple(scanner.statements))


class _Scanner:
    def __init__(self, text: str) -> None:
        self.places: dict[KeyPath, int] = {}
        self.statements: list[Statement] = []
        self._text = text
        self._at = 0
        self._line_ends = list(accumulate(len(row) + 1 for row in text.split("\n")))
        self._table: KeyPath = ()
        self._named: dict[KeyPath, int] = {}  # headers and assignments, not what they imply
        self._array_lengths: dict[KeyPath, int] = {}
        self._unfinished = False

    def scan(self) -> None:
        while self._skip(_BLANK):
            self._unfinished = False
            if self._next("["):
                self._header()
            else:
                self._assignment()
            self._at = self._end_of_line()

    # ------------------------------------------------------------------------------- statements

    def _header(self) -> None:
        line = self._line()
        brackets = 2 if self._next("[[") else 1
        self._at += brackets
        key = self._in_current_items(self._key())
        self._unfinished = not self._next("]" * brackets)
        earlier: int | None = None
        if key and brackets == 2:
            number = self._array_lengths.get(key, 0)
            self._array_lengths[key] = number + 1
            self._place(key, line)
            key = (*key, number)
            self._place(key, line)
        else:
            earlier = self._name(key, line) if key else None
        self._table = key
        self._state(key, line, is_table=True, earlier=earlier)

    def _assignment(self) -> None:
        line = self._line()
        key = (*self._table, *self._key())
        earlier = self._name(key, line) if key != self._table else None
        if self._take("="):
            self._skip(_SPACES)
            self._value(key, 0)
        self._state(key, line, is_table=False, earlier=earlier)

    def _state(self, key: KeyPath, line: int, *, is_table: bool, earlier: int | None) -> None:
        self.statements.append(
            Statement(key, line, self._line(), is_table, earlier, self._unfinished)
        )

    # ------------------------------------------------------------------------------------- keys

    def _key(self) -> KeyPath:
        parts = []
        while match := _KEY_PART.match(self._text, self._at):
            self._at = match.end()
            parts.append(_unquoted(match[1]))
            if not self._take("."):
                break
        return tuple(parts)

    def _in_current_items(self, parts: KeyPath) -> KeyPath:
        """Add to a header's key which items of arrays of tables it is inside of."""
        key: KeyPath = ()
        for part in parts:
            if key in self._array_lengths:
                key = (*key, self._array_lengths[key] - 1)
            key = (*key, part)
        return key

    def _name(self, key: KeyPath, line: int) -> int | None:
        """Note where a key is named; return the line it was named on before, if it was."""
        if key in self._named:
            return self._named[key]
        self._named[key] = line
        self._place(key, line)
        # A table may be implied by its sub-table first and have its own header later.
        self.places[key] = line
        return None

    def _place(self, key: KeyPath, line: int) -> None:
        for length in range(1, len(key) + 1):
            self.places.setdefault(key[:length], line)

    # ----------------------------------------------------------------------------------- values

    def _value(self, key: KeyPath, depth: int) -> None:
        if depth > _DEEPEST:
            self._unfinished = True
        elif self._take("["):
            self._array(key, depth)
        elif self._take("{"):
            self._inline_table(key, depth)
        elif self._next('"') or self._next("'"):
            self._string()
        elif match := _BARE_VALUE.match(self._text, self._at):
            self._at = match.end()

    def _string(self) -> None:
        if match := _STRING.match(self._text, self._at):
            self._at = match.end()
            return
        self._unfinished = True
        several_lines = self._next('"""') or self._next("'''")
        self._at = len(self._text) if several_lines else self._end_of_line()

    def _array(self, key: KeyPath, depth: int) -> None:
        number = 0
        while self._skip(_BLANK) and not self._next("]"):
            start = self._at
            self._place((*key, number), self._line())
            self._value((*key, number), depth + 1)
            if self._at == start or not self._item_ends("]"):
                break
            number += 1
        self._close("]")

    def _inline_table(self, key: KeyPath, depth: int) -> None:
        while self._skip(_BLANK) and not self._next("}"):
            line = self._line()
            parts = self._key()
            self._place((*key, *parts), line)
            if not self._take("="):
                break
            self._skip(_SPACES)
            self._value((*key, *parts), depth + 1)
            if not self._item_ends("}"):
                break
        self._close("}")

    def _item_ends(self, bracket: str) -> bool:
        """Step over a comma, or up to the bracket; where neither comes, stay."""
        end = self._at
        self._skip(_BLANK)
        if self._take(",") or self._next(bracket):
            return True
        self._at = end
        return False

    def _close(self, bracket: str) -> None:
        if not self._take(bracket):
            self._unfinished = True

    # --------------------------------------------------------------------------------- the text

    def _line(self) -> int:
        return bisect_right(self._line_ends, self._at) + 1

    def _end_of_line(self) -> int:
        end = self._text.find("\n", self._at)
        return len(self._text) if end < 0 else end

    def _next(self, token: str) -> bool:
        return self._text.startswith(token, self._at)

    def _take(self, token: str) -> bool:
        found = self._next(token)
        self._at += len(token) if found else 0
        return found

    def _skip(self, pattern: re.Pattern[str]) -> bool:
        """Step over what matches; return whether any text is left."""
        match = pattern.match(self._text, self._at)
        self._at = match.end() if match else self._at
        return self._at < len(self._text)


def _unquoted(part: str) -> str:
    if part[0] not in "\"'":
        return part
    try:
        return str(tomllib.loads(f"key = {part}")["key"])
    except tomllib.TOMLDecodeError:
        return part[1:-1]
