"""The command ``livezero``: finds the command asked for, and imports nothing else."""

from __future__ import annotations

import sys
from importlib import import_module

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
        if cmd_name == "run":
            _keep_rich_out()
        command: click.Command = import_module(f"edge.commands.{cmd_name}").command
        return command


def _keep_rich_out() -> None:
    # structlog imports rich, wherever it is installed, to draw tracebacks on a terminal: 5 MiB that
    # a daemon would carry for years. An entry of None makes the import fail, which structlog bears.
    sys.modules.setdefault("rich", None)  # type: ignore[arg-type]


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="livezero")
def main() -> None:
    """Poll field devices, keep every reading, publish it over MQTT.

    Exit codes: 0 good, 1 found wanting, 2 bad input.
    """
