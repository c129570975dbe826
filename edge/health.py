"""How a part of the station is, in words for whoever looks after it."""

from __future__ import annotations

from dataclasses import dataclass

from edge.status import Category


@dataclass(frozen=True, slots=True)
class Condition:
    """How one part of the station is.

    ``part`` names it ("clock", "journal", "link", "bus rs485"); ``found`` says in plain words what
    is the matter, or that nothing is; ``doing`` what the daemon does about it, "" where there is
    nothing to do. ``category`` is the NE 107 signal.
    """

    part: str
    category: Category
    found: str
    doing: str = ""

    @property
    def sound(self) -> bool:
        """Whether nothing is the matter."""
        return self.category is Category.NORMAL
