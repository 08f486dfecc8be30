"""Tables of zeros that cost what is used of them.

A study makes forty megabytes of them, and a short capture needs two. NumPy takes memory that was used before
where a process has some, and clears all of it, which takes half as long as to judge a small capture. What the
system hands out is zeros already, page by page.
"""

import math
import mmap
import sys
from typing import Any

import numpy as np

_PRIVATE: dict[str, Any] = {} if sys.platform == "win32" else {"flags": mmap.MAP_PRIVATE | mmap.MAP_ANONYMOUS}


def zeros(shape: int | tuple[int, ...], kind: type = np.int64) -> np.ndarray:
    """An array of that shape, in memory of its own."""
    made = np.dtype(kind)
    count = math.prod(shape) if isinstance(shape, tuple) else shape
    return np.frombuffer(mmap.mmap(-1, count * made.itemsize, **_PRIVATE), made).reshape(shape)
