"""How fast, and in how large portions, a backlog may go.

Pure: whoever asks says what time it is, in seconds of a scale that never goes back.
"""

from __future__ import annotations

# How long the link may be busy with a backlog in one go after it has rested, in seconds: what a
# short outage leaves over need not wait.
_BURST = 10.0

_ACKNOWLEDGEMENTS_TO_GROW = 4
_MOST_TO_GROW = 1024


class BacklogPace:
    """Lets a backlog have the link for a share of the time.

    An allowance of seconds grows with time, ``share`` of it, up to a small burst, and is used up
    while at least one pack of the backlog is under way. How long a pack will take nobody knows
    beforehand, so the allowance may go below nought; what was taken too much is waited for. Over
    any span, then, the backlog has at most ``share`` of it, the burst, and the packs last begun.
    """

    def __init__(self, share: float, now: float) -> None:
        """``share`` is above 0 and at most 1."""
        self._share = share
        self._allowance = _BURST
        self._since = now
        self._busy = False

    def note(self, now: float, *, busy: bool) -> None:
        """Take note whether, from now on, at least one pack of the backlog is under way."""
        self._settle(now)
        self._busy = busy

    def wait(self, now: float) -> float:
        """Return after how many seconds the next pack may begin; 0 when at once."""
        self._settle(now)
        if self._allowance > 0 or self._share >= 1:
            return 0.0
        # While packs are under way the allowance does not grow.
        return -self._allowance / self._share + 0.05

    def _settle(self, now: float) -> None:
        passed = now - self._since
        self._since = now
        self._allowance += passed * (self._share - self._busy)
        self._allowance = min(_BURST, self._allowance)


class PackSize:
    """How many readings go into a pack.

    A broker need not say what size of message it bears; one that speaks MQTT 3.1.1 cannot, and
    simply hangs up. So packs become smaller when they do not get through, and grow again when they
    do: doubled after a few acknowledgements, after more of them where growing has failed before.
    """

    def __init__(self, most: int) -> None:
        self.current = most
        self.grown = False
        """Whether it has grown, and no pack of the new size has got through yet."""
        self._most = most
        self._got_through = 0
        self._needed = _ACKNOWLEDGEMENTS_TO_GROW

    def acknowledged(self, readings: int) -> None:
        """Take note that a pack of so many readings got through."""
        if readings <= self.current // 2:
            return  # so small a pack proves nothing
        self.grown = False
        if self.current == self._most:
            self._needed = _ACKNOWLEDGEMENTS_TO_GROW
            return
        self._got_through += 1
        if self._got_through >= self._needed:
            self.current, self.grown = min(self._most, 2 * self.current), True
            self._got_through = 0

    def too_large(self, readings: int) -> None:
        """Take note that a pack of so many readings does not get through."""
        if self.grown:
            self._needed = min(_MOST_TO_GROW, 4 * self._needed)
        self.current, self.grown = max(1, min(self.current, readings) // 2), False
        self._got_through = 0
