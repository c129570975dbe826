"""Load shedding in words, for people who look at a station or its file. Pure."""

from __future__ import annotations

from collections.abc import Iterable

from edge.energy.stages import Effects


def shed_in_words(effects: Effects) -> str:
    """Return what is shed, such as "sampled 3 times less often; off: access-point"."""
    words = []
    if effects.stretch_sampling > 1:
        words.append(f"sampled {_less_often(effects.stretch_sampling)}")
    if effects.publish_at is not None:
        words.append(f"published at {_listed(map(_time_of_day, effects.publish_at))} only")
    elif effects.stretch_publishing > 1:
        words.append(f"published {_less_often(effects.stretch_publishing)}")
    if effects.off:
        words.append(f"off: {_listed(sorted(effects.off))}")
    if effects.stopped:
        words.append(f"not polled: {_listed(sorted(effects.stopped))}")
    if effects.halt:
        words.append("the computer is halted")
    return "; ".join(words) or "nothing is shed"


def _less_often(times: int) -> str:
    return f"{times} times less often"


def _time_of_day(minutes: int) -> str:
    return f"{minutes // 60:02d}:{minutes % 60:02d}"


def _listed(words: Iterable[str]) -> str:
    *first, last = words
    return f"{', '.join(first)} and {last}" if first else last
