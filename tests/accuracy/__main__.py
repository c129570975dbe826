"""``python -m tests.accuracy``: every check against an outside source, one row each."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterable
from dataclasses import asdict
from importlib import import_module
from pathlib import Path

from tests.accuracy.check import EXACT, Check

_NO_CHECKS = {"__init__", "__main__", "check"}


def all_checks() -> list[Check]:
    """Return the checks of every module of this package, which each has in ``checks()``."""
    names = sorted(path.stem for path in Path(__file__).parent.glob("*.py"))
    modules = [
        import_module(f"tests.accuracy.{name}")
        for name in names
        if name not in _NO_CHECKS and not name.startswith("test_")
    ]
    return [check for module in modules for check in module.checks()]


def main() -> None:
    """Print the table; exit with 1 when a check is out."""
    parser = argparse.ArgumentParser(prog="python -m tests.accuracy", description=__doc__)
    parser.add_argument("--json", action="store_true", help="print a list of objects instead")
    as_json = parser.parse_args().json
    checks = all_checks()
    print(json.dumps([_row(check) for check in checks], indent=2) if as_json else _table(checks))
    sys.exit(not all(check.ok for check in checks))


def _row(check: Check) -> dict[str, object]:
    row = asdict(check)
    return row | {"relative_error": check.error, "ok": check.ok}


def _table(checks: Iterable[Check]) -> str:
    checks = list(checks)
    what = max(len(check.what) for check in checks)
    heads = f"{'WHAT':<{what}}  {'EXPECTED':>16}  {'COMPUTED':>16}  {'ERROR':>8}  {'ALLOWED':>8}"
    rows = [
        f"{c.what:<{what}}  {c.expected:>16.10g}  {c.computed:>16.10g}  {c.error:>8.1e}"
        f"  {c.tolerance:>8.1e}  {'' if c.ok else 'OUT  '}{c.source}"
        for c in checks
    ]
    out = sum(not check.ok for check in checks)
    formulas = [check.error for check in checks if check.tolerance <= EXACT]
    return "\n".join(
        [
            f"{heads}  SOURCE",
            *rows,
            f"{len(checks)} checks against {len({c.source for c in checks})} sources; {out} out.",
            f"Worst relative error of exact formulas: {max(formulas):.1e} (allowed {EXACT:.0e}).",
        ]
    )


if __name__ == "__main__":
    main()
