"""TOML's content as a JSON Schema sees it."""

from datetime import date, datetime, time


def as_an_editor_sees_it(item):
    """Return TOML's content as JSON has it: dates and times are texts there."""
    if isinstance(item, dict):
        return {key: as_an_editor_sees_it(value) for key, value in item.items()}
    if isinstance(item, list):
        return [as_an_editor_sees_it(value) for value in item]
    return item.isoformat() if isinstance(item, date | datetime | time) else item
