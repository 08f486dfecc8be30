"""Where compiled kernels are kept."""

from pathlib import Path

import pytest

from preflight.frames import compile as engines


@pytest.fixture
def made(tmp_path: Path) -> Path:
    folder = tmp_path / "made"
    folder.mkdir()
    (folder / engines.INDEX).write_text("{}", encoding="utf-8")
    return folder


def test_another_run_that_was_quicker_is_left_alone_and_nothing_beside_it(made: Path, tmp_path: Path) -> None:
    theirs = tmp_path / "cache" / "kernels-1"
    theirs.mkdir(parents=True)
    (theirs / engines.INDEX).write_text("theirs", encoding="utf-8")
    engines._keep(made, theirs)
    assert (theirs / engines.INDEX).read_text(encoding="utf-8") == "theirs"
    assert list(theirs.parent.iterdir()) == [theirs]


def test_where_nothing_can_be_kept_nothing_is_left(made: Path, tmp_path: Path) -> None:
    (tmp_path / "cache").write_text("a file, where a folder should be", encoding="utf-8")
    engines._keep(made, tmp_path / "cache" / "kernels-1")
    assert {path.name for path in tmp_path.iterdir()} == {"made", "cache"}


def test_a_user_without_a_home_has_an_engine_all_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    def homeless() -> Path:
        raise RuntimeError("Could not determine home directory.")

    for name in ("XDG_CACHE_HOME", "LOCALAPPDATA"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr(Path, "home", homeless)
    engines.cache_folder.cache_clear()
    try:
        assert engines.kept() == (None, False) and not engines.cache_folder()
    finally:
        engines.cache_folder.cache_clear()
