"""How the station is, told to whoever asks: the daemon's end of ``livezero status``, and the other.

Theory of operation. The daemon listens on a Unix socket in Linux's abstract name space (unix(7)).
Such a socket is a name and no file: it needs no directory, works while the disk is full or may not
be written, and is gone when its process is, however that ended. The name comes from the path of
the journal, which one daemon at most can have. Whoever connects is handed one JSON object and the
connection is closed; nothing is ever read from the other side.

An abstract name has no owner and no permissions. Everyone on the computer may ask, so nothing
secret may be told; and anyone may have taken the name before, so that an answer is mere data.
"""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import json
import os
import socket
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any

import structlog

from edge.clock import SystemClock

Description = dict[str, Any]
"""What a daemon tells of itself, ready for JSON::

    {"station": "ash-creek-2", "name": "Ash Creek well 2", "version": "0.1.0", "pid": 731,
     "since": "2026-03-01T06:30:00.000Z",
     "parts": [{"part": "clock", "category": "normal", "found": "...", "doing": ""}, ...],
     "series_good": 6, "series": 7,
     "doubtful": [{"series": "level", "reason": "open-loop", "why": "no loop current: ..."}]}

``parts`` are the fields of `edge.health.Condition`, its category by value; ``doubtful`` lists the
series whose newest reading is not good, by slug and text of its `edge.status.Reason`.
"""

# Who asks gets an answer in milliseconds. One who does not read it keeps a place until then, and
# more than so many are turned away: askers must never become a burden to the station.
_READ_WITHIN = 5.0
_MOST_ASKERS = 8

# A thousand series in doubt take a fifth of this.
_LONGEST_ANSWER = 1_000_000


class SilentError(Exception):
    """There is a daemon, and it does not answer; says what happened."""


class GarbledError(Exception):
    """What came was not the answer of a daemon; says what came instead."""


def address(journal: Path) -> str:
    """Return the abstract name of the daemon that writes ``journal``."""
    digest = hashlib.sha256(str(journal.resolve()).encode("utf-8", "surrogateescape"))
    return f"\0livezero/{digest.hexdigest()[:16]}"


@contextlib.asynccontextmanager
async def serve(journal: Path, describe: Callable[[], Description]) -> AsyncIterator[None]:
    """Answer, as long as the context lasts, with what ``describe`` returns at each question.

    Where the name cannot be had that is logged, and nobody is answered.
    """
    desk = _Desk(describe)
    try:
        server = await asyncio.start_unix_server(desk.answer, path=address(journal))
    except OSError as error:
        structlog.get_logger().warning(
            "status cannot be asked for", why=os.strerror(error.errno or 0)
        )
        yield
        return
    try:
        yield
    finally:
        server.close()
        await desk.close()


def ask(journal: Path, patience: float) -> Description | None:
    """Return what the daemon on ``journal`` tells of itself; None where there is no daemon.

    Waits at most ``patience`` seconds. Raises SilentError when a daemon is there and does not
    answer, GarbledError when what came is not a JSON object.
    """
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as asker:
            asker.settimeout(patience)
            asker.connect(address(journal))
            answer = _all_of_it(asker, patience)
    except ConnectionRefusedError:
        return None
    except (TimeoutError, BlockingIOError):  # the latter when the queue to be answered is full
        raise SilentError(f"no answer within {patience:g} s") from None
    except OSError as error:
        raise SilentError(error.strerror or str(error)) from None
    return _object(answer)


def _all_of_it(asker: socket.socket, patience: float) -> bytes:
    clock = SystemClock()
    give_up = clock.monotonic() + patience
    answer = b""
    while part := asker.recv(65_536):
        answer += part
        if len(answer) > _LONGEST_ANSWER:
            raise GarbledError(f"an answer of more than {_LONGEST_ANSWER // 1_000_000} MB")
        # The far end may send byte by byte: what counts is the time it takes altogether.
        left = give_up - clock.monotonic()
        if left <= 0:
            raise TimeoutError
        asker.settimeout(left)
    return answer


def _object(answer: bytes) -> Description:
    if not answer:
        raise GarbledError("the connection closed without a word")
    try:
        described = json.loads(answer)
    except (ValueError, RecursionError):
        raise GarbledError("an answer that is not JSON") from None
    if not isinstance(described, dict):
        raise GarbledError("an answer that is not a JSON object")
    return described


class _Desk:
    """Answers askers one by one, and turns away those too many."""

    def __init__(self, describe: Callable[[], Description]) -> None:
        self._describe = describe
        self._askers: set[asyncio.Task[Any]] = set()

    async def answer(self, _reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Tell one asker how the station is; never raises."""
        task = asyncio.current_task()
        log = structlog.get_logger()
        assert task  # noqa: S101 - a coroutine that runs is in a task
        self._askers.add(task)
        try:
            async with asyncio.timeout(_READ_WITHIN):
                if len(self._askers) <= _MOST_ASKERS:
                    writer.write(json.dumps(self._describe()).encode())
                writer.close()
                await writer.wait_closed()
        except OSError:  # it went away, or time is up
            pass
        except Exception:
            log.exception("status cannot be told")
        finally:
            # Without this, what is still unread would keep the connection for ever. One that has
            # closed in this very moment bears no abort (Python 3.11).
            with contextlib.suppress(AttributeError):
                writer.transport.abort()
            self._askers.discard(task)

    async def close(self) -> None:
        """Leave those who have not read their answer yet."""
        askers = list(self._askers)
        for task in askers:
            task.cancel()
        await asyncio.gather(*askers, return_exceptions=True)
