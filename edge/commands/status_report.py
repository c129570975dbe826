"""How a station is, as one report: from a daemon's answer to a page for the eye. Pure.

What a daemon answers is data from another process, maybe of another version: whatever of it is not
as it should be is left out or shown as it came, and never counts as sound.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from textwrap import wrap
from typing import Any

import click

from edge.health import Condition
from edge.host.status_socket import Description
from edge.status import BY_SLUG, Category
from edge.text_table import table

_MOST_SHOWN = 10
_NARROWEST_TEXT = 24
_LONGEST_TEXT = 1000

# Paths and names must stay whole, to be copied.
_UNBROKEN: dict[str, Any] = {"break_long_words": False, "break_on_hyphens": False}

_COLOURS = {Category.NORMAL: "green", Category.FAILURE: "red"}
_OTHER_COLOUR = "yellow"

_NO_PARTS = Condition("daemon", Category.FUNCTION_CHECK, "its answer names no parts")


@dataclass(frozen=True, slots=True)
class Doubt:
    """A series whose newest reading is not good: its reason's slug and text."""

    series: str
    reason: str
    why: str

    @property
    def passes_by_itself(self) -> bool:
        """Whether only time is wanting, as with a rate before its second count."""
        reason = BY_SLUG.get(self.reason)
        return reason is not None and reason.passes_by_itself


@dataclass(frozen=True, slots=True)
class Report:
    """How a station is.

    ``answered`` tells whether a daemon said so itself; where none did, only names and parts are
    known. ``since`` is ISO 8601, in UTC.
    """

    station: str
    name: str
    parts: tuple[Condition, ...]
    running: bool = False
    answered: bool = False
    pid: int | None = None
    version: str | None = None
    since: str | None = None
    series_good: int = 0
    series: int = 0
    doubtful: tuple[Doubt, ...] = ()

    @property
    def ok(self) -> bool:
        """Whether nothing is found wanting."""
        return (
            self.answered
            and all(part.sound for part in self.parts)
            and all(doubt.passes_by_itself for doubt in self.doubtful)
        )

    def as_json(self) -> dict[str, Any]:
        """Return the report ready for JSON."""
        return {
            "station": self.station,
            "name": self.name,
            "running": self.running,
            "pid": self.pid,
            "version": self.version,
            "since": self.since,
            "parts": [part.as_json() for part in self.parts],
            "series": {
                "good": self.series_good,
                "of": self.series,
                "doubtful": [asdict(doubt) for doubt in self.doubtful],
            }
            if self.answered
            else None,
            "ok": self.ok,
        }


def report_of(described: Description) -> Report:
    """Return the report in a daemon's answer."""
    parts = _objects(described, "parts")
    return Report(
        station=_text(described, "station") or "?",
        name=_text(described, "name"),
        parts=tuple(_condition(part) for part in parts) or (_NO_PARTS,),
        running=True,
        answered=True,
        pid=_number(described, "pid"),
        version=_text(described, "version"),
        since=_text(described, "since"),
        series_good=_number(described, "series_good"),
        series=_number(described, "series"),
        doubtful=tuple(
            Doubt(_text(one, "series"), _text(one, "reason"), _text(one, "why"))
            for one in _objects(described, "doubtful")
        ),
    )


def render(report: Report, width: int, *, colour: bool = False) -> str:
    """Lay a report out for the eye, in lines of ``width`` characters where its words allow that."""
    head = "\n".join(wrap(_head(report), width, subsequent_indent="  ", **_UNBROKEN))
    blocks = [head, _parts(report, width, colour=colour)]
    if report.answered:
        blocks.append(_series(report, width))
    # A path may hold bytes that are no text, which could not be printed.
    return "\n\n".join(blocks).encode("utf-8", "replace").decode()


# ------------------------------------------------------------------------- understanding an answer


def _condition(part: Mapping[str, Any]) -> Condition:
    word = _text(part, "category")
    found = _text(part, "found")
    try:
        category = Category(word)
    except ValueError:
        category = Category.FUNCTION_CHECK
        found = f"{found} (in a state this version has no word for: {word})"
    return Condition(_text(part, "part") or "?", category, found, _text(part, "doing"))


def _objects(described: Mapping[str, Any], key: str) -> list[Mapping[str, Any]]:
    found = described.get(key)
    listed = found if isinstance(found, list) else []
    return [one if isinstance(one, dict) else {} for one in listed]


def _text(described: Mapping[str, Any], key: str) -> str:
    """Return a text without what could move the cursor or turn the line round."""
    found = described.get(key)
    text = found if isinstance(found, str) else ""
    return "".join(c if c.isprintable() else " " for c in text[:_LONGEST_TEXT])


def _number(described: Mapping[str, Any], key: str) -> int:
    found = described.get(key)
    return found if isinstance(found, int) else 0


# ----------------------------------------------------------------------------------- laying it out


def _head(report: Report) -> str:
    named = f"{report.name} ({report.station})" if report.name else report.station
    if not report.answered:
        return f"{named}: {'running, but gives no answer' if report.running else 'not running'}"
    return f"{named}: livezero {report.version}, running since {report.since}, process {report.pid}"


def _parts(report: Report, width: int, *, colour: bool) -> str:
    rows = [((part.part, part.category.value), (part.found, part.doing)) for part in report.parts]
    page = _wrapped_table(("PART", "STATE", "FOUND, AND WHAT IS DONE ABOUT IT"), rows, width)
    if not colour:
        return page
    states = "|".join(re.escape(category.value) for category in Category)
    return re.sub(rf"^(\S.*?  +)({states})\b", _coloured, page, flags=re.MULTILINE)


def _coloured(found: re.Match[str]) -> str:
    shade = _COLOURS.get(Category(found[2]), _OTHER_COLOUR)
    return found[1] + click.style(found[2], fg=shade)


def _series(report: Report, width: int) -> str:
    count = f"{report.series_good} of {report.series} series good"
    if not report.doubtful:
        return count
    rows = [((one.series, one.reason), (one.why,)) for one in report.doubtful[:_MOST_SHOWN]]
    page = f"{count}; the others:\n{_wrapped_table(('SERIES', 'STATUS', 'WHY'), rows, width)}"
    more = len(report.doubtful) - _MOST_SHOWN
    return f"{page}\n... and {more} more" if more > 0 else page


def _wrapped_table(
    heads: tuple[str, str, str], rows: Sequence[tuple[tuple[str, str], Sequence[str]]], width: int
) -> str:
    """Lay out a table whose last column is wrapped; its second text and on are set in."""
    left = sum(max(len(row[i]) for row in (heads, *(row for row, _ in rows))) + 2 for i in (0, 1))
    room = max(width - left, _NARROWEST_TEXT)
    lines: list[tuple[str, str, str]] = []
    for (first, second), (found, *more) in rows:
        wrapped = wrap(found, room, **_UNBROKEN)
        for text in more:
            wrapped += wrap(text, room, initial_indent="  ", subsequent_indent="  ", **_UNBROKEN)
        lines.append((first, second, wrapped[0] if wrapped else ""))
        lines += [("", "", line) for line in wrapped[1:]]
    return table(heads, lines)
