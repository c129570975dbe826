"""Do the worst to real stations and print a ledger of each scenario.

Exit code 1 when anything was lost, doubled or does not add up; 2 for an unknown scenario. Without
SCENARIO all of them run, each a few times only: ``--count`` says how often.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import logging
import sys
import time
import traceback
from collections.abc import Sequence
from importlib import import_module
from pathlib import Path
from tempfile import TemporaryDirectory

from edge.host.logs import set_up_logs
from tests.faults.ledger import Ledger
from tests.faults.scenario import Scenario

NAMES = (
    "kill",
    "power-cut",
    "broker-restart",
    "link-cut",
    "long-outage",
    "clock",
    "disk-full",
    "damage",
    "fuzz",
)


def scenario(name: str) -> Scenario:
    """Return the scenario of that name, from the module of that name."""
    found = import_module(f"tests.faults.{name.replace('-', '_')}").SCENARIO
    assert isinstance(found, Scenario)
    return found


def account(name: str, count: int | None, seed: int) -> Ledger:
    """Run a scenario in a directory of its own; return its ledger.

    One that breaks down is a complaint, and spares the others.
    """
    started = time.monotonic()

    def progress(words: str) -> None:
        elapsed = time.monotonic() - started
        print(f"{name} {elapsed:6.0f} s  {words}", file=sys.stderr, flush=True)

    try:
        one = scenario(name)
        times = one.default_count if count is None else count
        with TemporaryDirectory(prefix=f"livezero-{name}-") as directory:
            ledger = asyncio.run(one.run(times, seed, Path(directory), progress))
    except Exception as error:  # noqa: BLE001 - whatever it is, it is no proof
        traceback.print_exc()
        ledger = Ledger(name, count or 0, complaints=[f"broke down: {error!r}"])
    ledger.measures.setdefault("seconds", round(time.monotonic() - started, 1))
    ledger.measures.setdefault("seed", seed)
    return ledger


def main(arguments: Sequence[str]) -> int:
    """Run what the arguments ask for; return the exit code."""
    parser = argparse.ArgumentParser(prog="python -m tests.faults", description=__doc__)
    parser.add_argument("scenarios", metavar="SCENARIO", nargs="*", help="see --list")
    parser.add_argument("--count", type=int, help="how often; each scenario has its own default")
    parser.add_argument("--seed", type=int, default=1, help="of the random choices (default 1)")
    parser.add_argument("--json", action="store_true", help="print a list of objects")
    parser.add_argument("--list", action="store_true", help="name the scenarios")
    asked = parser.parse_args(arguments)
    if unknown := sorted(set(asked.scenarios) - set(NAMES)):
        parser.error(f"found {', '.join(unknown)}, expected some of {', '.join(NAMES)}")
    if asked.count is not None and asked.count < 1:
        parser.error(f"--count: found {asked.count}, expected 1 or more")
    if asked.list:
        for name in NAMES:
            print(f"{name:<16}{_about(name)}")
        return 0
    set_up_logs(level=logging.CRITICAL)
    ledgers = []
    for name in asked.scenarios or NAMES:
        ledgers.append(account(name, asked.count, asked.seed))
        if not asked.json:
            print(ledgers[-1].as_text(), flush=True)
    if asked.json:
        print(json.dumps([ledger.as_json() for ledger in ledgers], indent=1))
    return 0 if all(ledger.ok for ledger in ledgers) else 1


def _about(name: str) -> str:
    try:
        return scenario(name).about
    except ModuleNotFoundError:
        return "not there yet"


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
