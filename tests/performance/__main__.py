"""Print the figures. Takes about three minutes; ``--quick`` about one, with shorter runs."""

from __future__ import annotations

import argparse
import asyncio
import logging
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

from edge.host.logs import set_up_logs
from tests.performance.figures import Figure, as_json, as_text
from tests.performance.resources import daemon_costs
from tests.performance.room_cost import room_costs
from tests.performance.shared_line import adapter_away, dead_unit


async def measure(directory: Path, *, quick: bool) -> list[Figure]:
    def say(what: str) -> None:
        print(what, file=sys.stderr, flush=True)

    say("a shared line, one unit dead; an adapter taken away for 30 s ...")
    kept, resumed = await asyncio.gather(
        dead_unit(directory, 30 if quick else 120), adapter_away(directory)
    )
    say("the daemon, small rounds ...")
    small = await daemon_costs(directory, channels=5, readings=500 if quick else 2000)
    say("the daemon, many readings ...")
    large = await daemon_costs(directory, channels=125, readings=10_000 if quick else 100_000)
    say("the measuring room ...")
    room = room_costs(directory, 200 if quick else 2000)
    return [*kept, *resumed, *small, *large, *room]


parser = argparse.ArgumentParser(prog="python -m tests.performance", description=__doc__)
parser.add_argument("--json", action="store_true", help="print a list of objects")
parser.add_argument("--quick", action="store_true", help="shorter runs, rougher figures")
arguments = parser.parse_args()
set_up_logs(level=logging.CRITICAL)
with TemporaryDirectory(prefix="livezero-performance-") as name:
    figures = asyncio.run(measure(Path(name), quick=arguments.quick))
print(as_json(figures) if arguments.json else as_text(figures))
