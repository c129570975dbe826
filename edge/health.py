"""How a part of the station is, in words for whoever looks after it."""

from __future__ import annotations

from dataclasses import asdict, dataclass

from edge.status import Category

CLOCK = "clock"
"""What the part is called that the whole station gets its time from."""

ENERGY = "energy"
"""What the part is called that says how the battery is, and what is shed for its sake."""


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

    def as_json(self) -> dict[str, str]:
        """Return the condition ready for JSON, its category by value."""
        return asdict(self) | {"category": self.category.value}

    @property
    def sound(self) -> bool:
        """Whether nothing is the matter."""
        return self.category is Category.NORMAL
