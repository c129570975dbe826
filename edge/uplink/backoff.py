"""How to go on after a failed connection: when to try again, and in which manner of MQTT."""

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

# So often MQTT 5 is tried on a broker that does not answer, before it is taken for an old one.
_TRIES_IN_5 = 3

# So often it must work without a retained will, just after it did not with one.
_PROOFS = 2


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

    def left(self) -> None:
        """Take note that we left a connection of our own accord, however soon."""
        self.in_a_row = 0


class VersionChoice:
    """Finds out which version of MQTT a broker speaks.

    ``wanted`` may be one version, which then stands, or "auto": MQTT 5 first. What a broker says of
    a version it does not speak is believed for good, and so is a connection in MQTT 5 that came
    about. One that does not answer may be an old one that cannot read MQTT 5; it may as well have
    been busy, or the link bad. So 3.1.1 is tried only after several tries, and 5 again at every new
    connection: in 3.1.1 a broker cannot say that it refuses a message, and acknowledges what it
    throws away.
    """

    def __init__(self, wanted: Literal["auto", "5", "3.1.1"]) -> None:
        self.current: Version = "5" if wanted == "auto" else wanted
        """The version to try next."""
        self._settled = wanted != "auto"
        self._tries_left = _TRIES_IN_5

    def worked(self) -> None:
        """Take note that the broker accepted a connection in the current version."""
        if self.current == "5":
            self._settled = True
        elif not self._settled:
            self.current, self._tries_left = "5", 1

    def not_understood(self, *, said_so: bool = False) -> None:
        """Take note that the broker did not answer a connection request as MQTT demands.

        It closed the connection without an answer, answered nonsense, or did not answer at all;
        with ``said_so`` it refused the version.
        """
        if self._settled:
            return
        if self.current == "3.1.1":
            self.current, self._tries_left = "5", _TRIES_IN_5
        else:
            self._tries_left -= 1
            if said_so or self._tries_left <= 0:
                self.current = "3.1.1"
        self._settled = said_so


class RetainChoice:
    """Finds out whether a broker takes a will that is to be retained.

    One that keeps no retained messages says so in MQTT 5. In 3.1.1 it cannot, and may close the
    connection instead of answering the request. But so do brokers that are just starting, and so
    the two ways are tried by turns; leaving it out is settled when that has worked twice, each time
    just after the other had not.
    """

    def __init__(self) -> None:
        self.current = True
        """Whether to ask for it next."""
        self._settled = False
        self._worked_without = 0

    def refused(self) -> None:
        """Take note that the broker says it keeps no retained messages."""
        self.current, self._settled = False, True

    def hung_up(self) -> None:
        """Take note that a broker of MQTT 3.1.1 closed the connection without an answer."""
        if not self._settled:
            self.current = not self.current

    def worked(self) -> None:
        """Take note that the broker accepted the connection."""
        if self._settled:
            return
        self._worked_without = 0 if self.current else self._worked_without + 1
        self._settled = self._worked_without >= _PROOFS
        self.current = not self._settled
