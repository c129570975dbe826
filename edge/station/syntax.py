"""From text to tables, in spite of mistakes in the TOML.

Theory of operation. `tomllib` stops at the first mistake. To find the others too, the statement it
is in is blanked, its line kept, and the text read again, until what is left can be read. A
mistake in a single line is a mistake in one channel, bus or section, which is then *broken*:
nothing more is to be said about it, for want of what was blanked. A mistake that spans lines, such
as a bracket that never closes, may have swallowed anything; then the whole file counts as broken.

Only a name given twice breaks nothing: the first of the two stands.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from typing import Any

from edge.station.faults import KeyPath, LocatedFault, dotted
from edge.station.lines import Lines, Statement, find_lines

_MOST_FAULTS = 20

_MESSAGE = re.compile(
    r"(?P<message>.*) \(at (line (?P<line>\d+), column (?P<column>\d+)|end of document)\)",
    re.DOTALL,
)

_NAME_TAKEN = ("Cannot declare", "Cannot overwrite", "Cannot mutate", "Cannot redefine")

# How tomllib's messages begin, and what it had expected there.
_EXPECTED = (
    ("Expected '=' after", '"=" between a key and its value'),
    ("Expected newline", 'the end of the line; text stands in quotes, such as "30 ft"'),
    ("Expected ']]' at", '"]]" after the name of an array of tables'),
    ("Expected ']' at", '"]" after the name of a table'),
    ("Expected ", "the closing quote of a text"),
    ("Unterminated string", "the closing quote of a text"),
    ("Invalid statement", "a table such as [station], or a key and its value"),
    (
        "Invalid initial character for a key",
        "a key of letters, digits, '-' and '_', or one in quotes",
    ),
    (
        "Invalid value",
        'a value: a number, true, false, a list, or text in quotes such as "30 ft"',
    ),
    ("Invalid hex value", "as many hexadecimal digits as the escape wants: \\u00e9"),
    ("Unclosed array", '"," or "]"; text stands in quotes, such as "30 ft"'),
    ("Unclosed inline table", '"," or "}"'),
    ("Duplicate inline table key", "every name once"),
    *((message, "every name once") for message in _NAME_TAKEN),
    ("Unescaped '\\'", 'single quotes around a text with backslashes, or "\\\\" for each of them'),
    ("Illegal character '\\n'", "the closing quote of a text"),
    ("Found invalid character '\\n'", "the closing quote of a text"),
    ("Illegal character", "no control characters"),
    ("Found invalid character", "no control characters"),
)


@dataclass(frozen=True, slots=True)
class Parsed:
    """What could be read of a text, and what was wrong with the rest."""

    data: dict[str, Any]
    lines: Lines
    faults: tuple[LocatedFault, ...]
    broken: frozenset[KeyPath]
    """Keys under which something is missing from ``data``; an empty path stands for the file."""


def parse(text: str, file: str) -> Parsed:
    """Read TOML; ``file`` is the name to use in faults. Never raises."""
    # As TOML allows and tomllib does, so that columns and lines agree with its messages.
    text = text.replace("\r\n", "\n")
    rows = text.split("\n")
    lines = find_lines(text)
    faults: list[LocatedFault] = []
    broken: set[KeyPath] = set()
    while True:
        try:
            data = tomllib.loads("\n".join(rows))
            return Parsed(data, lines, tuple(faults), frozenset(broken))
        except (ValueError, RecursionError) as error:
            mistake = _Mistake.of(error, lines, rows)
        faults.append(mistake.fault(file, rows))
        if not mistake.breaks_nothing_else or len(faults) == _MOST_FAULTS:
            return Parsed({}, lines, tuple(faults), frozenset({()}))
        assert mistake.statement is not None  # noqa: S101 - else it would break everything
        if not mistake.is_name_given_twice:
            broken.add(mistake.statement.key)
        _blank(mistake.statement, lines, rows)


@dataclass(frozen=True, slots=True)
class _Mistake:
    message: str
    line: int | None
    column: int | None
    statement: Statement | None

    @classmethod
    def of(cls, error: Exception, lines: Lines, rows: list[str]) -> _Mistake:
        if isinstance(error, RecursionError):
            return cls("brackets nested too deeply", None, None, None)
        place = _MESSAGE.fullmatch(str(error))
        if place is None:
            # The one error that tomllib lets through from below it.
            return cls("a number of too many digits", None, None, None)
        if place["line"] is None:
            statement = next((s for s in lines.statements if s.unfinished and _left(s, rows)), None)
            line = statement.first_line if statement else len(rows)
            return cls(place["message"], line, None, statement)
        line = int(place["line"])
        statement = lines.statement_at(line)
        if statement and not _left(statement, rows):
            statement = None
        return cls(place["message"], line, int(place["column"]), statement)

    @property
    def is_name_given_twice(self) -> bool:
        return (
            self.message.startswith(_NAME_TAKEN)
            and self.statement is not None
            and self.statement.earlier_line is not None
        )

    @property
    def breaks_nothing_else(self) -> bool:
        return self.statement is not None and (
            self.is_name_given_twice or self.statement.first_line == self.statement.last_line
        )

    def fault(self, file: str, rows: list[str]) -> LocatedFault:
        key = dotted(self.statement.key) if self.statement else ""
        if self.is_name_given_twice:
            assert self.statement is not None  # noqa: S101 - by the property's definition
            what = "table of" if self.statement.is_table else "value for"
            return LocatedFault(
                file,
                self.statement.first_line,
                key,
                f"a second {what} this name (the first is on line {self.statement.earlier_line})",
                "every name once",
            )
        return LocatedFault(file, self.line, key, self._found(rows), self._expected())

    def _found(self, rows: list[str]) -> str:
        if self.line is None:
            return self.message
        if self.column is None:
            return "the end of the file"
        if self.message.startswith("Unescaped '\\'"):
            return "a backslash that escapes nothing"
        if self.message.startswith(_NAME_TAKEN):
            return "a name that already stands for something else"
        if self.message.startswith("Duplicate"):
            return "a name twice in one table"
        rest = rows[self.line - 1][self.column - 1 :].split("#")[0].strip()
        return f"{rest[:30]!r} at column {self.column}" if rest else "the end of the line"

    def _expected(self) -> str:
        for beginning, expected in _EXPECTED:
            if self.message.startswith(beginning):
                return expected
        return "TOML that can be read"


def _left(statement: Statement, rows: list[str]) -> bool:
    return bool(rows[statement.first_line - 1])


def _blank(statement: Statement, lines: Lines, rows: list[str]) -> None:
    """Empty the lines of a statement, and with a table's header those of the table."""
    end = statement.last_line
    if statement.is_table:
        later = [s.first_line for s in lines.statements if s.is_table and s.first_line > end]
        end = min(later, default=len(rows) + 1) - 1
    for line in range(statement.first_line, end + 1):
        rows[line - 1] = ""
