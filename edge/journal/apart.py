"""Work in a process of its own: the memory it takes, and what it trips over, stay outside."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path


def run_apart(module: str, path: Path) -> str:
    """Run a module as a program on the journal at ``path``; return what it prints.

    Raises OSError, with the last it had to say, when it fails.
    """
    command = [sys.executable, "-m", module, str(path)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)  # noqa: S603
    if done.returncode:
        complaints = done.stderr.strip().splitlines()
        raise OSError(complaints[-1] if complaints else f"it ended with {done.returncode}")
    return done.stdout
