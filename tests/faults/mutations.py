"""What noise, bad contacts and crossed lines make of a frame. Deterministic by its `Random`."""

from __future__ import annotations

from collections.abc import Callable
from random import Random

Mutation = Callable[[Random, bytes, bytes], bytes]
"""Makes a mutant of a frame; the third argument is a frame that answers something else."""


def flip(rng: Random, frame: bytes, _: bytes) -> bytes:
    """Flip one to four bits."""
    mutant = bytearray(frame)
    for _ in range(rng.randint(1, 4)):
        mutant[rng.randrange(len(mutant))] ^= 1 << rng.randrange(8)
    return bytes(mutant)


def cut(rng: Random, frame: bytes, _: bytes) -> bytes:
    """Lose bytes at the beginning, in the middle, or at the end."""
    start = rng.randrange(len(frame))
    end = rng.randint(start + 1, len(frame))
    return rng.choice((frame[:start], frame[end:], frame[:start] + frame[end:]))


def insert(rng: Random, frame: bytes, _: bytes) -> bytes:
    """Hear bytes that nobody sent."""
    at = rng.randint(0, len(frame))
    return frame[:at] + rng.randbytes(rng.randint(1, 6)) + frame[at:]


def overwrite(rng: Random, frame: bytes, _: bytes) -> bytes:
    """Hear noise in place of some bytes."""
    start = rng.randrange(len(frame))
    length = rng.randint(1, len(frame) - start)
    return frame[:start] + rng.randbytes(length) + frame[start + length :]


def swap(rng: Random, frame: bytes, _: bytes) -> bytes:
    """Exchange two bytes."""
    mutant = bytearray(frame)
    a, b = rng.randrange(len(frame)), rng.randrange(len(frame))
    mutant[a], mutant[b] = mutant[b], mutant[a]
    return bytes(mutant)


def repeat(rng: Random, frame: bytes, _: bytes) -> bytes:
    """Hear some bytes twice."""
    start = rng.randrange(len(frame))
    end = rng.randint(start + 1, len(frame))
    return frame[:end] + frame[start:]


def join(rng: Random, frame: bytes, foreign: bytes) -> bytes:
    """Hear the end of another frame before the right one, or its beginning after it."""
    part = rng.randint(1, len(foreign))
    return rng.choice((foreign[-part:] + frame, frame + foreign[:part]))


def collide(rng: Random, frame: bytes, foreign: bytes) -> bytes:
    """Hear two devices at once: the beginning of one frame and the end of the other."""
    at = rng.randint(0, len(frame))
    first, second = rng.sample((frame, foreign), 2)
    return first[:at] + second[at:]


def replace(_: Random, __: bytes, foreign: bytes) -> bytes:
    """Hear the reply to something else."""
    return foreign


def noise(rng: Random, frame: bytes, _: bytes) -> bytes:
    """Hear nothing but noise, some of which begins right."""
    kept = rng.randint(0, min(9, len(frame)))
    return frame[:kept] + rng.randbytes(rng.randint(1, 60))


MUTATIONS: tuple[Mutation, ...] = (
    flip, cut, insert, overwrite, swap, repeat, join, collide, replace, noise,
)  # fmt: skip


def mutate(rng: Random, frame: bytes, foreign: bytes) -> tuple[str, bytes]:
    """Return a mutant and how it was made: by one mutation most often, else by two."""
    first = rng.choice(MUTATIONS)
    mutant = first(rng, frame, foreign)
    if not mutant or rng.random() < 0.8:
        return first.__name__, mutant
    second = rng.choice(MUTATIONS)
    return f"{first.__name__}+{second.__name__}", second(rng, mutant, foreign)
