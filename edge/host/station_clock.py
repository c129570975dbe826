"""The station's clock: the computer's, as far as it can be trusted.

`edge.timekeeper` decides; here are the clock that all parts of the daemon are handed, and the
computer it looks at.
"""

from __future__ import annotations

import os
from dataclasses import replace
from typing import Protocol

from edge.clock import Clock
from edge.health import CLOCK, Condition
from edge.host.kernel_time import boot_id, synchronised
from edge.readings import Sample, Stamp
from edge.status import Category
from edge.timekeeper import BUILD_MS, Finding, Rule, Timekeeper, in_words

# In seconds. To be without the time for a while after power-on is nothing to call anybody for.
_USUAL_WAIT = 900.0

# The two scales are read one after the other. Should the computer do something else in between, it
# is tried again: in how many seconds it must be done, and how often it is tried.
_AT_ONCE = 50e-6
_TRIES = 5

_SET_EARLIER = "set by a time server before the daemon was started; runs by itself since"


class HostTime(Protocol):
    """What a computer knows of its own clock."""

    @property
    def boot(self) -> str:
        """What names this boot: monotonic times of one boot can be compared, of two cannot."""
        ...

    def synchronised(self) -> bool:
        """Whether a time server sets the clock."""
        ...


class KernelTime:
    """What the kernel of this computer knows of its clock."""

    def __init__(self) -> None:
        # Where boots have no names, this run must not be taken for part of any other.
        self.boot = boot_id() or os.urandom(16).hex()

    def synchronised(self) -> bool:
        """See `HostTime.synchronised`."""
        return synchronised()


class AlwaysSynchronised:
    """A computer whose clock is right from the first moment on."""

    def __init__(self, boot: str | None = None) -> None:
        self.boot = boot or os.urandom(16).hex()

    def synchronised(self) -> bool:
        """See `HostTime.synchronised`."""
        return True


class StationClock:
    """An `edge.clock.Clock` that shows provisional time until the time is known.

    ``base`` is the computer's clock, ``newest_ms`` the time of the newest reading in the journal
    (UTC ms; None: there is none), ``known`` what an earlier run found to be the true offset of its
    boot, ``rule`` and ``build_ms`` are those of `edge.timekeeper`. Nothing else is trusted before
    the first `look`, so have one before the first sample.
    """

    def __init__(
        self,
        base: Clock,
        host: HostTime,
        rule: Rule = "synchronised",
        *,
        newest_ms: int | None = None,
        known: Stamp | None = None,
        build_ms: int = BUILD_MS,
    ) -> None:
        self._base = base
        self._host = host
        wall_ms, monotonic = _both_scales(base)
        known_ms = known.offset_ms if known and known.boot == host.boot else None
        self._keeper = Timekeeper(
            rule, build_ms, newest_ms, wall_ms, monotonic, known_offset_ms=known_ms
        )
        self._began = monotonic
        self._rule = rule
        self._confirmed: float | None = None  # monotonic seconds when last found synchronised

    @property
    def trusted(self) -> bool:
        """Whether the time is known; once True, always so."""
        return self._keeper.trusted

    @property
    def boot(self) -> str:
        """What names this boot of the computer."""
        return self._host.boot

    @property
    def offset_ms(self) -> int:
        """UTC milliseconds at the origin of the monotonic scale, as far as it is known."""
        return self._keeper.offset_ms

    @property
    def stamp(self) -> Stamp | None:
        """What readings are stamped by while the time is not known; None once it is."""
        return None if self.trusted else Stamp(self._host.boot, self._keeper.offset_ms)

    def look(self) -> Finding | None:
        """Look whether the computer's clock can be trusted, or was set; return what was found.

        To be called every few seconds.
        """
        confirmed = self._host.synchronised()  # before the scales are read: see Timekeeper.look
        wall_ms, monotonic = _both_scales(self._base)
        if confirmed:
            self._confirmed = monotonic
        return self._keeper.look(wall_ms, monotonic, confirmed)

    def utc_ms(self) -> int:
        """Milliseconds since 1970-01-01 00:00 UTC, by the station's time."""
        return self._keeper.utc_ms(self._base.monotonic())

    def monotonic(self) -> float:
        """Seconds that never go backwards, of the computer's own scale."""
        return self._base.monotonic()

    async def sleep(self, seconds: float) -> None:
        """Return after that many seconds of the clock behind this one."""
        await self._base.sleep(seconds)

    def utc_of(self, monotonic: float) -> int:
        """Return the UTC milliseconds of a moment of this boot, as they are known now."""
        return self._keeper.utc_ms(monotonic)

    def restamped(self, sample: Sample) -> Sample:
        """Return a sample with its time as it is known now, which may have changed since."""
        utc_ms = self.utc_of(sample.monotonic)
        return sample if utc_ms == sample.utc_ms else replace(sample, utc_ms=utc_ms)

    def condition(self) -> Condition:
        """How the clock is, for whoever looks after the station."""
        if not self.trusted:
            return self._untrusted()
        if self._keeper.not_followed_ms:
            way = "ahead" if self._keeper.not_followed_ms > 0 else "behind"
            return Condition(
                CLOCK,
                Category.OUT_OF_SPECIFICATION,
                f"somebody set the computer's clock: it is {self._not_followed} {way} of the "
                "station's",
                "readings keep the station's own time until a time server confirms another",
            )
        if self._confirmed is None:
            found = "believed as plausible" if self._rule == "plausible" else _SET_EARLIER
            return Condition(CLOCK, Category.NORMAL, found)
        found = "set by a time server"
        if (ago := self._base.monotonic() - self._confirmed) > _USUAL_WAIT:
            found += f", last {in_words(round(ago * 1000))} ago; runs by itself since"
        return Condition(CLOCK, Category.NORMAL, found)

    @property
    def _not_followed(self) -> str:
        return in_words(abs(self._keeper.not_followed_ms))

    def _untrusted(self) -> Condition:
        waiting = self._base.monotonic() - self._began
        usual = waiting <= _USUAL_WAIT
        doing = "readings are kept, and will be sent with their true time once it is known"
        if not usual and self._rule == "synchronised":
            doing += (
                "; where no time server can be reached and the computer has a clock with a "
                'battery, say trust = "plausible" under [clock] in the station file'
            )
        return Condition(
            CLOCK,
            Category.FUNCTION_CHECK if usual else Category.MAINTENANCE_REQUIRED,
            f"the time has been unknown for {in_words(round(waiting * 1000))}: "
            f"{self._keeper.doubt}",
            doing,
        )


def _both_scales(clock: Clock) -> tuple[int, float]:
    """Return UTC milliseconds and monotonic seconds of as nearly the same moment as can be had."""
    best: tuple[float, int, float] | None = None
    for _ in range(_TRIES):
        before = clock.monotonic()
        utc_ms = clock.utc_ms()
        took = clock.monotonic() - before
        if best is None or took < best[0]:
            best = took, utc_ms, before + took / 2
        if took <= _AT_ONCE:
            break
    assert best is not None  # noqa: S101 - there was a first try
    return best[1], best[2]
