"""How to go on after a failed connection: when to try again, and in which version of MQTT."""

from __future__ import annotations

from random import Random
from typing import Literal

Version = Literal["5", "3.1.1"]
"""Versions of MQTT spoken here."""

_FIRST_CEILING = 2.0
_LAST_CEILING = 300.0

# A connection that is lost sooner than this was a short one, in seconds; so many of them in a row
# are no chance. A bad radio link drops connections too, but seldom as soon as that.
_SHORT = 5.0
_SHORT_IN_A_ROW = 3


class BackOff:
    """Growing, jittered pauses: after the first failure 1 to 2 s, at last 150 to 300 s.

    Of many stations that lose one broker, no two come back in step; hence the jitter.
    """

    def __init__(self, rng: Random) -> None:
        self._rng = rng
        self._ceiling = _FIRST_CEILING

    def next(self) -> float:
        """Return the pause after one more failure, in seconds."""
        pause = self._rng.uniform(self._ceiling / 2, self._ceiling)
        self._ceiling = min(_LAST_CEILING, 2 * self._ceiling)
        return pause

    def reset(self) -> None:
        """Begin with short pauses again: something got through."""
        self._ceiling = _FIRST_CEILING

    def lengthen(self, doublings: int | None = None) -> None:
        """Let the next pause be as after so many failures more than one; by default a long one.

        For when to come back soon would do harm, although something got through.
        """
        wanted = _LAST_CEILING if doublings is None else _FIRST_CEILING * 2 ** min(doublings, 16)
        self._ceiling = max(self._ceiling, min(_LAST_CEILING, wanted))


class ShortConnections:
    """Notices when connections come about and then are lost, again and again.

    That is what two clients with one client id do to each other: the broker lets in the one and
    puts out the other (MQTT 3.1.1, section 3.1.4, without a word). Each that came back at once
    would put out the other for ever; so the pauses grow, although something may get through.
    """

    def __init__(self) -> None:
        self.in_a_row = 0
        """How many have been short up to now, without a long one in between."""

    def ended(self, lasted: float) -> bool:
        """Take note that a connection was lost after so many seconds; True when it looks so."""
        self.in_a_row = self.in_a_row + 1 if lasted < _SHORT else 0
        return self.in_a_row >= _SHORT_IN_A_ROW


class VersionChoice:
    """Finds out which version of MQTT a broker speaks.

    ``wanted`` may be one version, which then stands, or "auto": MQTT 5 first; when the broker does
    not understand, the other; once a connection in one of them has come about, that one for good.
    """

    def __init__(self, wanted: Literal["auto", "5", "3.1.1"]) -> None:
        self.current: Version = "5" if wanted == "auto" else wanted
        """The version to try next."""
        self._settled = wanted != "auto"

    def worked(self) -> None:
        """Take note that the broker accepted a connection in the current version."""
        self._settled = True

    def not_understood(self) -> None:
        """Take note that the broker did not answer a connection request as MQTT demands.

        It refused the version, closed the connection without an answer, answered nonsense, or did
        not answer at all.
        """
        if not self._settled:
            self.current = "3.1.1" if self.current == "5" else "5"
