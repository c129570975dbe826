"""The daemon as a process of its own: started, watched through its log, killed at any instant."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import signal
import sys
from collections import deque
from pathlib import Path

# Enough to see why it ended.
_LINES_KEPT = 40

# How long an orderly end may take, in seconds: what can still be sent is sent for a few.
_PATIENCE_S = 30.0


class EndedError(Exception):
    """The process has ended by itself, which it never should; says what it last said."""


class StationProcess:
    """One run of ``livezero run``, in a session of its own."""

    def __init__(self, process: asyncio.subprocess.Process) -> None:
        self.running = asyncio.Event()
        """Set once the daemon says that the station is running."""
        self.said: deque[str] = deque(maxlen=_LINES_KEPT)
        """The last lines of its log."""
        self._process = process
        self._reading = asyncio.create_task(self._read())

    @classmethod
    async def start(cls, file: Path, journal: Path, *more: str) -> StationProcess:
        """Start the daemon on a station file; return at once."""
        command = [sys.executable, "-m", "edge", "run", str(file), "--journal", str(journal)]
        return cls(
            await asyncio.create_subprocess_exec(
                *command, *more, "--log", "json",
                stdin=asyncio.subprocess.DEVNULL,
                stderr=asyncio.subprocess.PIPE,
                start_new_session=True,
            )
        )  # fmt: skip

    @property
    def pid(self) -> int:
        """Its process id."""
        return self._process.pid

    @property
    def alive(self) -> bool:
        """Whether it has not ended yet."""
        return self._process.returncode is None

    async def until_running(self) -> None:
        """Return when the station is running. Raises EndedError when it ends before."""
        started, ended = (
            asyncio.ensure_future(one)
            for one in (self.running.wait(), asyncio.shield(self._reading))
        )
        await asyncio.wait({started, ended}, return_when=asyncio.FIRST_COMPLETED)
        started.cancel()
        ended.cancel()
        if not self.running.is_set():
            code = await self._process.wait()
            raise EndedError(f"the daemon ended with {code}: {self._last_words()}")

    async def kill(self, *, children: bool = True) -> None:
        """SIGKILL it, with all its child processes or by itself. Raises EndedError when too late.

        A power cut takes the children as well; a lack of memory may take the daemon alone.
        """
        if not self.alive:
            code = self._process.returncode
            raise EndedError(f"the daemon ended with {code}: {self._last_words()}")
        if children:
            self._signal_all(signal.SIGKILL)
        else:
            self._process.kill()
        await self._process.wait()
        await self._reading

    async def stop(self) -> int:
        """End it in the orderly way; return its exit code."""
        if self.alive:
            self._process.terminate()
        async with asyncio.timeout(_PATIENCE_S):
            code = await self._process.wait()
            await self._reading
        return code

    async def clear_away(self) -> None:
        """Make sure that nothing of it is left, whatever state it is in."""
        self._signal_all(signal.SIGKILL)
        await self._process.wait()
        await self._reading

    def _signal_all(self, number: signal.Signals) -> None:
        # Its session has its number; the group outlives it as long as there are children.
        with contextlib.suppress(ProcessLookupError):
            os.killpg(self._process.pid, number)

    async def _read(self) -> None:
        assert self._process.stderr
        async for line in self._process.stderr:
            text = line.decode(errors="replace").strip()
            self.said.append(text)
            if _event(text) == "station running":
                self.running.set()

    def _last_words(self) -> str:
        return " | ".join(list(self.said)[-3:]) or "without a word"


def _event(line: str) -> str:
    try:
        said = json.loads(line)
    except ValueError:
        return ""
    return str(said.get("event", "")) if isinstance(said, dict) else ""
