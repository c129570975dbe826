"""What the kernel knows of time: whether a time server sets the clock, and which boot this is.

Whoever disciplines the clock, by network or by satellite, tells the kernel with adjtimex(2); so the
kernel can be asked without knowing who it is, and asking needs no privileges. It forgets by itself:
without word for so long that the clock may be off by 16 s (about nine hours), it calls the clock
unsynchronised again (kernel/time/ntp.c, NTP_PHASE_LIMIT).
"""

from __future__ import annotations

import ctypes
from collections.abc import Callable
from functools import cache
from pathlib import Path

# From <linux/timex.h>.
_TIME_ERROR = 5
_STA_UNSYNC = 0x0040

_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


class _Timex(ctypes.Structure):
    """The head of struct timex, with room for the rest of it.

    The members are C longs on 64-bit Linux and, under the plain name of the call, on the 32-bit
    kind as well, whatever the width of its time_t. With all of it nought (``modes`` above all) the
    call only reads.
    """

    _fields_ = (
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("rest", ctypes.c_char * 256),
    )


def synchronised() -> bool:
    """Tell whether the kernel's clock is set by a time server; False where nobody can tell."""
    if (adjtimex := _adjtimex()) is None:
        return False
    timex = _Timex()
    state = adjtimex(ctypes.byref(timex))
    # -1 is a refusal, as in a sandbox that does not allow the call.
    return state not in (-1, _TIME_ERROR) and not timex.status & _STA_UNSYNC


@cache
def _adjtimex() -> Callable[..., int] | None:
    try:
        found: Callable[..., int] = ctypes.CDLL(None).adjtimex
    except (OSError, AttributeError):
        return None
    return found


def boot_id() -> str:
    """Return what names this boot of the computer; "" where there is no such thing."""
    try:
        return _BOOT_ID.read_text(encoding="ascii").strip()
    except (OSError, ValueError):
        return ""
