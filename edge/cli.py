"""The command ``livezero``: finds the command asked for, and imports nothing else."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from importlib import import_module
from importlib.util import find_spec
from types import ModuleType

import click

from edge import __version__

COMMANDS = (
    "run", "check", "read", "outputs", "plan", "bench", "listen", "export", "status",
)  # fmt: skip


class _Commands(click.Group):
    """Commands by name, each imported when it is called for."""

    def list_commands(self, _ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, _ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        with _light_imports() if cmd_name == "run" else nullcontext():
            command: click.Command = import_module(f"edge.commands.{cmd_name}").command
        return command


@contextmanager
def _light_imports() -> Iterator[None]:
    """Keep out of the daemon what libraries import without need; it would carry it for years."""
    # structlog imports rich, wherever it is installed, to draw tracebacks on a terminal: 5 MiB. An
    # entry of None makes the import fail, which structlog bears.
    sys.modules.setdefault("rich", None)  # type: ignore[arg-type]
    # paho imports urllib.request, and with it http and email, to look for proxies: 1 MiB. It only
    # does look where PySocks is installed.
    nothing = ModuleType("urllib.request")
    if find_spec("socks") is None:
        sys.modules.setdefault("urllib.request", nothing)
    yield
    if sys.modules.get("urllib.request") is nothing:
        del sys.modules["urllib.request"]


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="livezero")
def main() -> None:
    """Poll field devices, keep every reading, publish it over MQTT.

    Exit codes: 0 good, 1 found wanting, 2 bad input.
    """
