"""What can be wrong with a simulated device, switched on and off while it runs.

One vocabulary serves all kinds of devices; a kind that has no meaning for a device is refused when
it is set, not ignored when it strikes.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from enum import StrEnum


class FaultKind(StrEnum):
    """The ways of going wrong."""

    DEAD = "dead"  # no reply
    SLOW = "slow"  # the reply comes after ``seconds``
    LATE = "late"  # the reply comes when the next request does, before that one's own
    BAD_CHECKSUM = "bad-checksum"
    SHORT = "short"  # the reply breaks off
    WRONG_UNIT = "wrong-unit"  # a sound reply that bears another unit's number
    EXCEPTION = "exception"  # a Modbus exception reply with ``code``
    BABBLE = "babble"  # random bytes in place of the reply
    TEXT = "text"  # a sound line with words where numbers belong


@dataclass(frozen=True, slots=True)
class Fault:
    """One way of going wrong; ``every`` n-th reply is struck.

    ``seconds`` are real ones, because time-outs are.
    """

    kind: FaultKind
    seconds: float = 0.0
    code: int = 4
    every: int = 1


MODBUS_FAULTS = frozenset(FaultKind) - {FaultKind.TEXT}
LINE_FAULTS = frozenset(FaultKind) - {FaultKind.WRONG_UNIT, FaultKind.EXCEPTION}


class FaultSwitch:
    """The fault a device has now, if any."""

    def __init__(self, possible: Collection[FaultKind]) -> None:
        self._possible = possible
        self._fault: Fault | None = None
        self._replies = 0

    def set(self, fault: Fault | FaultKind) -> None:
        """Make the device go wrong. Raises ValueError for a fault that it cannot have."""
        fault = fault if isinstance(fault, Fault) else Fault(fault)
        if fault.kind not in self._possible:
            msg = f"this device cannot have the fault {fault.kind.value!r}"
            raise ValueError(msg)
        self._fault, self._replies = fault, 0

    def clear(self) -> None:
        """Make the device well again."""
        self._fault = None

    def strike(self) -> Fault | None:
        """Return the fault that strikes the reply about to be made; call it once a reply."""
        if self._fault is None:
            return None
        self._replies += 1
        return None if self._replies % self._fault.every else self._fault


@dataclass(frozen=True, slots=True)
class Transmission:
    """Bytes that a device will send, ``after`` so many real seconds."""

    data: bytes
    after: float = 0.0
