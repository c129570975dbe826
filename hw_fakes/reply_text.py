"""Writes lines that a given regular expression matches: a parser, run backwards.

Theory of operation. A station file says how to *read* a device's line: a pattern whose named groups
are numbers. To *write* such a line, the pattern is walked from left to right. A named group becomes
its number, in the first of the usual notations that the group's own pattern matches. All else
becomes the simplest text that fits: of alternatives the first, of repetitions the fewest, of
characters the first that matches. The line is then matched against the whole pattern, so that what
the walk does not understand is an error and never a wrong line.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator, Mapping

_CANDIDATES = "0" + "".join(map(chr, [*range(0x20, 0x7F), *range(0x20), *range(0x7F, 0x100)]))
_GROUP_OPENING = re.compile(r"\((?:\?P<(\w+)>|\?:|(?!\?))")
_QUANTIFIER = re.compile(r"(?:([*?+])|\{(\d*)(?:,\d*)?\})[?+]?")
_CHARACTER = re.compile(
    r"\\x[0-9A-Fa-f]{2}|\\u[0-9A-Fa-f]{4}|\\.|\[\^?\]?(?:\\.|[^\]\\])*\]|[^\\\[]", re.DOTALL
)
_ANCHORS = ("^", "$", r"\A", r"\Z")


class CannotWriteError(ValueError):
    """No line can be written for this pattern, or not with these numbers; says why."""


def write_line(
    pattern: str, numbers: Mapping[str, float], hints: Mapping[str, float] | None = None
) -> str:
    """Return a line that ``pattern`` matches as a whole, its groups standing for ``numbers``.

    Groups without a number get the one in ``hints`` if they can hold it, else any text that fits.
    A group that has no place for a sign shows nought for what is negative. Raises
    CannotWriteError.
    """
    line = _Writer(pattern, numbers, hints or {}).write()
    match = re.fullmatch(pattern, line)
    if match is None:
        msg = f"no way was found to write a line that {pattern!r} matches; tried {line!r}"
        raise CannotWriteError(msg)
    missing = [name for name in numbers if match.groupdict().get(name) is None]
    if missing:
        msg = f"{pattern!r} has no group {missing[0]!r} in the lines written for it"
        raise CannotWriteError(msg)
    return line


def _notations(number: float) -> Iterator[str]:
    # Three decimals are the custom; zero-filled notations are for devices with fixed columns.
    for decimals, width, sign in itertools.product((3, 2, 1, 0, 4, 5, 6), range(13), ("", "+")):
        yield f"{number:{sign}0{width or ''}.{decimals}f}"


def _written(number: float, pattern: str) -> str | None:
    return next((text for text in _notations(number) if re.fullmatch(pattern, text)), None)


class _Writer:
    def __init__(
        self, pattern: str, numbers: Mapping[str, float], hints: Mapping[str, float]
    ) -> None:
        self._pattern = pattern
        self._numbers = numbers
        self._hints = hints
        self._at = 0
        self._numbers_written = 0

    def write(self) -> str:
        text = self._alternatives()
        if self._at < len(self._pattern):
            raise self._error("a parenthesis too many")
        return text

    def _alternatives(self) -> str:
        first = self._sequence()
        while self._at_one_of("|"):
            self._at += 1
            self._sequence()
        return first

    def _sequence(self) -> str:
        text = ""
        while self._at < len(self._pattern) and not self._at_one_of("|)"):
            written_before = self._numbers_written
            atom = self._group() if self._at_one_of("(") else self._character()
            fewest = self._fewest_repetitions()
            # What carries a number is there even where the pattern lets it be left out.
            text += atom * (fewest or int(self._numbers_written > written_before))
        return text

    def _group(self) -> str:
        opening = _GROUP_OPENING.match(self._pattern, self._at)
        if opening is None:
            raise self._error("a construct that cannot be written")
        self._at = begin = opening.end()
        text = self._alternatives()
        if not self._at_one_of(")"):
            raise self._error("a parenthesis that is never closed")
        inner = self._pattern[begin : self._at]
        self._at += 1
        name = opening.group(1)
        if name in self._numbers:
            self._numbers_written += 1
            return self._required(name, inner)
        written = _written(self._hints[name], inner) if name in self._hints else None
        return text if written is None else written

    def _required(self, name: str, inner: str) -> str:
        number = self._numbers[name]
        written = _written(number, inner)
        if written is None and number < 0:
            written = _written(0.0, inner)
        if written is None:
            msg = f"{number} cannot be written as the group {name!r}, which is {inner!r}"
            raise CannotWriteError(msg)
        return written

    def _character(self) -> str:
        character = _CHARACTER.match(self._pattern, self._at)
        if character is None:
            raise self._error("a set of characters that is never closed")
        self._at = character.end()
        if character.group() in _ANCHORS:
            return ""
        for candidate in _CANDIDATES:
            if re.fullmatch(character.group(), candidate, re.DOTALL):
                return candidate
        raise self._error(f"{character.group()!r}, which cannot be written")

    def _fewest_repetitions(self) -> int:
        quantifier = _QUANTIFIER.match(self._pattern, self._at)
        if quantifier is None:
            return 1
        self._at = quantifier.end()
        symbol, fewest = quantifier.groups()
        return int(fewest or 0) if symbol is None else int(symbol == "+")

    def _at_one_of(self, characters: str) -> bool:
        return self._at < len(self._pattern) and self._pattern[self._at] in characters

    def _error(self, what: str) -> CannotWriteError:
        return CannotWriteError(f"{self._pattern!r} has {what} at {self._at}")
