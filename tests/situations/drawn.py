"""The frames of a stream, all at once: copies of one frame, with noise, numbers and checksums stamped in by
NumPy.

Most of what a rig sends is streams, and frames made one by one took most of these tests' time. The noise and
the jitter are what `random` itself would draw for one frame after the other, to the bit: a play is the same
however it is made.
"""

from collections.abc import Callable, Iterable, Iterator
from math import tau
from random import Random

import numpy as np

from tests.tally.captures import Timed

Fields = Iterable[tuple[int, np.ndarray]]
"""Where in each frame what is stamped: a row of `numbers`' length, in the byte order of the wire."""
UDP, UDP_SUM = 34, 40


def frames(
    random: Random, beats: np.ndarray, like: bytes, noise: slice, fields: Callable[[np.ndarray], Fields],
    jitter_s: float = 0.0, most_late_s: float = 0.0, burst: int = 1, apart_s: float = 0.0, udp: bool = False, loses: float = 0.0,
) -> Iterator[Timed]:  # fmt: skip
    """`burst` frames a beat, `apart_s` from one another; each beat is late by chance, and by chance a share
    of them is lost. `like` is one of the frames, with a valid checksum and zeros where the noise goes."""
    count, size = len(beats) * burst, noise.stop - noise.start
    of_noise = burst * -(-size // 4)
    late, words = _drawn(random, len(beats), of_noise + (2 if loses else 0), jitter_s)
    come = _uniform(words[:, of_noise:]) >= loses if loses else slice(None)
    words = words[:, :of_noise].reshape(count, -1)
    made = np.tile(np.frombuffer(like, np.uint8), (count, 1))
    if size % 4:
        words[:, -1] >>= 32 - size % 4 * 8  # as getrandbits does, of whose last word the upper bits are taken
    made[:, noise] = np.ascontiguousarray(words).view(np.uint8)[:, :size]
    for at, values in fields(np.arange(count)):
        made[:, at : at + values.itemsize] = values.view(np.uint8).reshape(count, -1)
    if udp:
        _sum_again(made, like)
    times = (beats + np.minimum(late, most_late_s))[:, None] + np.arange(burst) * apart_s
    each = made.view(f"V{len(like)}").reshape(times.shape)
    return zip(times[come].ravel().tolist(), each[come].ravel().tolist(), strict=True)


def _drawn(random: Random, beats: int, words: int, jitter_s: float) -> tuple[np.ndarray, np.ndarray]:
    """For each beat how late it is, by `abs(random.gauss(0, jitter_s))`, and then so many words of noise.
    gauss draws two numbers, of two words each, for two calls, and keeps the second: beats go by pairs, the
    first of which may have been begun before."""
    if not jitter_s:
        return np.zeros(beats), _words(random, beats * words).reshape(beats, words)
    kept = random.gauss_next
    begun, last = int(kept is not None), (beats + int(kept is not None)) % 2
    pairs = (beats + begun + last) // 2
    drawn = np.empty(pairs * (4 + 2 * words), np.uint32)
    inside = slice(begun * (4 + words), len(drawn) - last * words)
    drawn[inside] = _words(random, inside.stop - inside.start)
    drawn = drawn.reshape(pairs, -1)
    turn, radius = _uniform(drawn[:, :2]), _uniform(drawn[:, 2:4])
    radius = np.sqrt(-2.0 * np.log(1.0 - radius))
    normal = np.stack([np.cos(turn * tau) * radius, np.sin(turn * tau) * radius], 1).ravel()
    if begun:
        normal[1] = kept
    random.gauss_next = float(normal[-1]) if last else None
    chosen = slice(begun, begun + beats)
    return abs(normal[chosen] * jitter_s), drawn[:, 4:].reshape(-1, words)[chosen]


def _uniform(words: np.ndarray) -> np.ndarray:
    """What `random.random()` makes of each two words."""
    return ((words[:, 0] >> 5) * float(1 << 26) + (words[:, 1] >> 6)) / (1 << 53)


def _words(random: Random, count: int) -> np.ndarray:
    """The next words of `random`: NumPy's Mersenne twister is the same, and thrice as quick."""
    version, state, kept = random.getstate()
    twister = np.random.MT19937(0)
    key = np.array(state[:-1], np.uint32)
    twister.state = {"bit_generator": "MT19937", "state": {"key": key, "pos": state[-1]}}
    words = np.random.Generator(twister).integers(1 << 32, size=count, dtype=np.uint32)
    after = twister.state["state"]
    random.setstate((version, (*after["key"].tolist(), after["pos"]), kept))
    return words


def _sum_again(made: np.ndarray, like: bytes) -> None:
    """The checksum of UDP over IPv4 (RFC 768): by what the words sum up to beyond those of `like`. It is the
    same in either order of bytes (RFC 1071)."""
    words = made[:, UDP : len(like) // 2 * 2].view("<u2")
    sums = words.sum(axis=1, dtype=np.int64) - int(np.frombuffer(like[UDP : len(like) // 2 * 2], "<u2").sum())
    was = int.from_bytes(like[UDP_SUM : UDP_SUM + 2], "little")
    now = (was - sums) % 0xFFFF
    now[now == 0] = 0xFFFF
    made[:, UDP_SUM : UDP_SUM + 2] = now.astype("<u2").view(np.uint8).reshape(-1, 2)
