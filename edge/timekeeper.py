"""When to believe the computer's clock, and what time it is until then.

Theory of operation. A small computer has no clock with a battery: after a power cut its *wall
clock* shows some time of the past until a time server is found, and is then set forward at one
stroke. Its *monotonic* scale has no such steps. So the station keeps its own time,

    UTC ms = offset + 1000 x monotonic seconds,

and asks only whether the offset is right. At first it is *provisional*, and stands fixed, so that
all readings of that while can be moved to their true time by one and the same amount. Once there is
a reason to trust the wall clock, the offset is taken from it; that trust is never lost again while
the computer runs, for a clock that was right once goes on right by itself; a daemon that is started
again in the same boot is told of the offset. From then on:

 * where a time server sets the clock, every step of it is followed;
 * where none does (the kernel gives up on one that has been silent for nine hours), a step was made
   by hand, and is not followed before a time server confirms it;
 * where the station file says that a plausible clock will do, steps to a plausible time are
   followed.

Time servers also slew the clock, but that the kernel does on both scales alike (adjtimex(2),
clock_gettime(2)), so that nothing shows in the offset.

Pure: wall clock, monotonic seconds and what the kernel says are arguments.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Literal

Rule = Literal["synchronised", "plausible"]
"""When to trust the wall clock: see ``[clock] trust`` in `edge.station.model`."""

BUILD_MS = 1_767_225_600_000
"""2026-01-01 00:00 UTC: no true time lies before that of the program. Raised with releases."""

# No computer of a station is in use with the same program for longer.
_LONGEST_USE_MS = 20 * 365 * 86_400_000

# Up to this the journal may be ahead of the wall clock under the rule "plausible": a clock with a
# battery loses some seconds over a long outage.
_BEHIND_JOURNAL_MS = 60_000

# Less is no step, but the two scales read a moment apart.
_STEP_MS = 500


class What(Enum):
    """What a look at the clock has found."""

    TRUSTED = "trusted"
    """The time is known from now on."""
    STEPPED = "stepped"
    """The wall clock was set, and the station's time with it."""
    NOT_FOLLOWED = "not followed"
    """The wall clock was set, but by whom is not known, or to a time that cannot be."""


@dataclass(frozen=True, slots=True)
class Finding:
    """What a look at the clock has found.

    ``by_ms`` is how far the station's time was moved by it, or would have been where it was not
    followed; ``journal_ahead_ms`` by how much the newest reading of the journal is younger than the
    time now trusted: its time was wrong.
    """

    what: What
    by_ms: int
    journal_ahead_ms: int = 0

    @property
    def words(self) -> str:
        """The finding as a sentence for the log."""
        amount = in_words(abs(self.by_ms))
        way = "forward" if self.by_ms >= 0 else "back"
        if self.what is What.STEPPED:
            return f"the computer's clock was set {way} by {amount}, and the station's with it"
        if self.what is What.NOT_FOLLOWED:
            return (
                f"the computer's clock was set {way} by {amount}, not by a time server or to an "
                "impossible time: the station keeps its own"
            )
        text = "the time is known now, and is as it was assumed"
        if _is_step(self.by_ms):
            text = f"the time is known now; the one assumed was set {way} by {amount}"
        if self.journal_ahead_ms:
            ahead = in_words(self.journal_ahead_ms)
            text += f"; the journal holds readings stamped {ahead} later, which cannot be right"
        return text


class Timekeeper:
    """The station's time: ``offset_ms`` plus the monotonic milliseconds.

    ``build_ms`` is the date of the program, ``newest_ms`` the time of the newest reading in the
    journal (None: there is none), ``wall_ms`` and ``monotonic`` (seconds) the computer's clock now,
    ``known_offset_ms`` what was found to be right earlier in this boot (None: nothing was).
    Times before the program or twenty years after it are implausible, wherever they come from.
    """

    def __init__(
        self,
        rule: Rule,
        build_ms: int,
        newest_ms: int | None,
        wall_ms: int,
        monotonic: float,
        *,
        known_offset_ms: int | None = None,
    ) -> None:
        self._rule = rule
        self._build_ms = build_ms
        self._latest_ms = build_ms + _LONGEST_USE_MS
        self._newest_ms = newest_ms
        self.trusted = False
        """Whether the time is known; once True, always so."""
        self.doubt = "nobody has looked at the computer's clock yet"
        """Why the time is not trusted, in plain words; "" once it is."""
        self.not_followed_ms = 0
        """How far the wall clock has been set without the station following it; 0: it has not."""
        # After all that is in the journal, so that the books stay in order.
        after_journal = build_ms if newest_ms is None else newest_ms + 1
        believable = [ms for ms in (wall_ms, after_journal) if self._plausible(ms)]
        self.offset_ms = max([build_ms, *believable]) - _milliseconds(monotonic)
        """UTC milliseconds at the origin of the monotonic scale."""
        if known_offset_ms is not None:
            self.offset_ms, self.trusted, self.doubt = known_offset_ms, True, ""

    def utc_ms(self, monotonic: float) -> int:
        """Return the station's time at a moment (monotonic seconds) of this boot."""
        return self.offset_ms + _milliseconds(monotonic)

    def look(self, wall_ms: int, monotonic: float, synchronised: bool) -> Finding | None:
        """Compare with the wall clock; return what there is to tell, if anything.

        ``synchronised`` is whether the kernel says that a time server sets the clock. It must have
        been asked *before* the two scales were read, or it may speak of a later setting.
        """
        by_ms = wall_ms - self.utc_ms(monotonic)
        if not self.trusted:
            self.doubt = self._doubt(wall_ms, synchronised)
            return None if self.doubt else self._trust(wall_ms, by_ms)
        if self._follows(wall_ms, synchronised):
            self.offset_ms += by_ms
            self.not_followed_ms = 0
            return Finding(What.STEPPED, by_ms) if abs(by_ms) >= _STEP_MS else None
        before, self.not_followed_ms = self.not_followed_ms, by_ms if _is_step(by_ms) else 0
        if self.not_followed_ms and _is_step(by_ms - before):
            return Finding(What.NOT_FOLLOWED, by_ms)
        return None

    def _trust(self, wall_ms: int, by_ms: int) -> Finding:
        self.offset_ms += by_ms
        self.trusted = True
        ahead = 0 if self._newest_ms is None else self._newest_ms - wall_ms
        return Finding(What.TRUSTED, by_ms, ahead if ahead > _BEHIND_JOURNAL_MS else 0)

    def _doubt(self, wall_ms: int, synchronised: bool) -> str:
        """Say why the wall clock is not to be trusted; it has not been so far."""
        if wall_ms < self._build_ms:
            return "the computer's clock shows a time before this program was made"
        if synchronised:
            # Over the journal, too: what that holds may have been stamped by a clock years ahead.
            return ""
        if self._rule == "synchronised":
            return "no time server has set the computer's clock since it was switched on"
        if not self._plausible(wall_ms):
            return "the computer's clock is decades ahead"
        newest_ms = self._newest_ms
        if newest_ms is not None and self._plausible(newest_ms):
            behind_ms = newest_ms - wall_ms
            if behind_ms > _BEHIND_JOURNAL_MS:
                return f"the computer's clock is {in_words(behind_ms)} behind the newest reading"
        return ""

    def _follows(self, wall_ms: int, synchronised: bool) -> bool:
        if synchronised:
            return wall_ms >= self._build_ms
        return self._rule == "plausible" and self._plausible(wall_ms)

    def _plausible(self, utc_ms: int) -> bool:
        return self._build_ms <= utc_ms <= self._latest_ms


def in_words(milliseconds: int) -> str:
    """Return a length of time as people say it, such as ``3 h 20 min``; never negative."""
    seconds = milliseconds / 1000
    if seconds < 60:
        return f"{seconds:.3g} s"
    minutes = round(seconds / 60)
    days, hours, rest = minutes // 1440, minutes // 60 % 24, minutes % 60
    if days:
        return f"{days} d {hours} h"
    return f"{hours} h {rest} min" if hours else f"{rest} min"


def _is_step(by_ms: int) -> bool:
    return abs(by_ms) >= _STEP_MS


def _milliseconds(monotonic: float) -> int:
    return round(monotonic * 1000)
