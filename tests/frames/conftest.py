"""The engine that a test of the readers runs with."""

import pytest

from preflight.frames import batch
from preflight.frames import compile as engines


@pytest.fixture(params=["plain", "compiled"])
def either_engine(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Once as plain Python, whose accesses are checked, once compiled, whatever the machine has at hand."""
    engine = getattr(engines, request.param)()
    monkeypatch.setattr(engines, "ready", lambda: request.param == "compiled")
    monkeypatch.setattr(batch.Bench, "_compiled", lambda _: engine)
