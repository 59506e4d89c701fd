"""Damaging bytes in the ways that disks, cables, editors and ill will do; the same seed gives the same damage."""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence

TELLING = (0, 1, 2, 0x7F, 0x80, 0xFF, 0x7FFF, 0x8000, 0xFFFF, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF)
"""Numbers at which counters, sizes and signs go wrong."""


def mutated(data: bytes, rng: random.Random, others: Sequence[bytes] = ()) -> bytes:
    """The bytes with one to four kinds of damage. `others`: of which pieces may be spliced in."""
    for _ in range(rng.randint(1, 4)):
        data = rng.choice(DAMAGE)(data, rng, others)
    return data


def _bits(data: bytes, rng: random.Random, _: Sequence[bytes]) -> bytes:
    out = bytearray(data)
    for _ in range(rng.choice((1, 1, 4, 64))) if out else ():
        out[rng.randrange(len(out))] ^= 1 << rng.randrange(8)
    return bytes(out)


def _cut(data: bytes, rng: random.Random, _: Sequence[bytes]) -> bytes:
    return data[:rng.randrange(len(data) + 1)]


def _hole(data: bytes, rng: random.Random, _: Sequence[bytes]) -> bytes:
    at, length = rng.randrange(len(data) + 1), rng.choice((1, 4, 16, 256, 4096))
    return data[:at] + data[at + length:]


def _zeros(data: bytes, rng: random.Random, _: Sequence[bytes]) -> bytes:
    at, length = rng.randrange(len(data) + 1), min(rng.choice((4, 64, 512, 4096)), len(data))
    return (data[:at] + bytes(length) + data[at + length:])[:len(data)]


def _number(data: bytes, rng: random.Random, _: Sequence[bytes]) -> bytes:
    width = rng.choice((1, 2, 4, 8))
    at = rng.randrange(max(len(data) - width, 1))
    value = rng.choice(TELLING) % (1 << 8 * width)
    return data[:at] + value.to_bytes(width, rng.choice(("big", "little"))) + data[at + width:]


def _again(data: bytes, rng: random.Random, _: Sequence[bytes]) -> bytes:
    at, length = rng.randrange(len(data) + 1), rng.choice((8, 64, 1024))
    return data[:at] + data[at:at + length] * rng.choice((2, 3, 40)) + data[at + length:]


def _spliced(data: bytes, rng: random.Random, others: Sequence[bytes]) -> bytes:
    other = rng.choice(others) if others else data
    return data[:rng.randrange(len(data) + 1)] + other[rng.randrange(len(other) + 1):]


DAMAGE: tuple[Callable[[bytes, random.Random, Sequence[bytes]], bytes], ...] = (
    _bits, _bits, _cut, _hole, _zeros, _number, _number, _again, _spliced)
