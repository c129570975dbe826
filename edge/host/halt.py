"""Halting the computer, by whatever command the station file names."""

from __future__ import annotations

import subprocess
from collections.abc import Sequence

# Such commands only ask for it; the computer takes its time after that. The service manager waits
# longer for the daemon to end, this and all else included.
_ASKED_WITHIN = 20.0


def halt_computer(command: Sequence[str]) -> str:
    """Run ``command`` (program and arguments); return why that failed, "" when it did not."""
    program = command[0]
    try:
        # No shell: the station file is trusted to name a program, not to be quoted right.
        done = subprocess.run(  # noqa: S603
            command, check=False, capture_output=True, text=True, timeout=_ASKED_WITHIN
        )
    except OSError as error:
        return f"{program}: {error.strerror}"
    except subprocess.TimeoutExpired:
        return f"{program}: no end within {_ASKED_WITHIN:g} s"
    if done.returncode:
        return f"{program}: exit code {done.returncode}: {done.stderr.strip()}"
    return ""
