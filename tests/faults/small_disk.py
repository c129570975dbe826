"""A disk of a few megabytes that can be filled up and freed, or what comes nearest to it here."""

from __future__ import annotations

import asyncio
import contextlib
import errno
import resource
import shutil
import subprocess
from pathlib import Path

from hw_fakes.startable import Startable

_SIZE = "8m"
_PORTION = 4096

# What becomes free meanwhile is taken at once, in real seconds.
_LOOK_EVERY_S = 0.1


class SmallDisk(Startable):
    """A tmpfs of its own where mounting is permitted; else a limit on how long files may grow.

    With the limit, what is written anywhere in a file is refused, not only what needs new space.
    """

    def __init__(self, directory: Path) -> None:
        self.directory = directory
        """Where files lie on it."""
        self.mounted = False
        self._filling: asyncio.Task[None] | None = None
        self._limited: int | None = None

    @property
    def how(self) -> str:
        """What it is, in words."""
        return f"tmpfs of {_SIZE}B" if self.mounted else "RLIMIT_FSIZE of the station (no mount)"

    async def start(self) -> None:
        """Make it."""
        self.directory.mkdir()
        mount = shutil.which("mount")
        if mount:
            options = ["-t", "tmpfs", "-o", f"size={_SIZE}", "livezero", str(self.directory)]
            done = await asyncio.to_thread(subprocess.run, [mount, *options], capture_output=True)
            self.mounted = done.returncode == 0

    async def stop(self) -> None:
        """Take it away, with all that is on it."""
        await self.free()
        if self.mounted:
            command = ["umount", "--lazy", str(self.directory)]
            await asyncio.to_thread(subprocess.run, command, check=True)
            self.mounted = False

    def fill(self, pid: int) -> None:
        """Leave no room on it, for the process at least."""
        if self.mounted:
            self._filling = asyncio.create_task(self._keep_full())
        else:
            _, hard = resource.prlimit(pid, resource.RLIMIT_FSIZE)
            resource.prlimit(pid, resource.RLIMIT_FSIZE, (0, hard))
            self._limited = pid

    async def free(self) -> None:
        """Make room again."""
        if self._filling:
            self._filling.cancel()
            await asyncio.wait({self._filling})
            self._filling = None
            self._filler.unlink(missing_ok=True)
        if self._limited is not None:
            with contextlib.suppress(ProcessLookupError):
                _, hard = resource.prlimit(self._limited, resource.RLIMIT_FSIZE)
                resource.prlimit(self._limited, resource.RLIMIT_FSIZE, (hard, hard))
            self._limited = None

    @property
    def _filler(self) -> Path:
        return self.directory / "something-else"

    async def _keep_full(self) -> None:
        with self._filler.open("ab", buffering=0) as filler:
            while True:
                try:
                    filler.write(bytes(_PORTION))
                except OSError as error:
                    if error.errno != errno.ENOSPC:
                        raise
                    await asyncio.sleep(_LOOK_EVERY_S)
