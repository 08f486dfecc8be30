"""A rig for a test, where this machine can make one."""

import os
from collections.abc import Iterator

import pytest

from preflight.frames.compile import compiled
from tests.lab.rig import Rig, Unavailable


@pytest.fixture
def rig() -> Iterator[Rig]:
    compiled()  # on a new machine it takes seconds, in which the command would not listen yet
    try:
        made = Rig().__enter__()
    except Unavailable as reason:
        if os.environ.get("CI"):
            raise
        pytest.skip(str(reason))
    try:
        yield made
    finally:
        made.close()
