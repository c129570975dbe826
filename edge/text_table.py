"""Plain tables for terminals, logs and reports."""

from __future__ import annotations

from collections.abc import Sequence


def table(heads: Sequence[str], rows: Sequence[Sequence[str]], right: Sequence[int] = ()) -> str:
    """Lay out rows in columns; the columns numbered in ``right`` are flush right."""
    widths = [max(len(row[i]) for row in (heads, *rows)) for i in range(len(heads))]
    return "\n".join(
        "  ".join(
            cell.rjust(width) if i in right else cell.ljust(width)
            for i, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in (heads, *rows)
    )
