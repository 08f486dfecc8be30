"""An archive of the bundled captures, and one of thousands made from them."""

from pathlib import Path

import pytest

from preflight.archive.columns import Rows
from preflight.archive.store import Store
from preflight.archive.tidy import settle
from tests.archive.made import bundled, fill, judged


@pytest.fixture(scope="session")
def models() -> list[Rows]:
    return judged(bundled())


@pytest.fixture
def small(models: list[Rows], tmp_path: Path) -> Store:
    """The bundled captures, as they are."""
    store = Store(str(tmp_path / "small"))
    for rows in models:
        store.add(rows)
    return store


@pytest.fixture(scope="session")
def large(models: list[Rows], tmp_path_factory: pytest.TempPathFactory) -> Store:
    """Ten thousand cases."""
    store = Store(str(tmp_path_factory.mktemp("archive") / "large"))
    fill(store, models, 10_000)
    settle(store)
    return store
