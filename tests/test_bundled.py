"""Which commit the code is of, wherever it lies."""

from pathlib import Path

import pytest

from preflight import bundled

COMMIT, OTHER = "0123456789abcdef" * 2 + "01234567", "f" * 40


@pytest.mark.parametrize(
    ("files", "told"),
    [
        ({"preflight/commit.txt": COMMIT}, COMMIT),
        ({".commit": COMMIT}, COMMIT),
        ({"preflight/commit.txt": COMMIT, ".commit": "$Format:%H$", ".git/HEAD": OTHER}, COMMIT),
        ({".commit": "$Format:%H$"}, ""),
        (
            {".git/HEAD": COMMIT},
            "",
        ),  # a package that knows nothing, in a folder that somebody keeps under git
        ({".commit": "$Format:%H$", ".git/HEAD": COMMIT}, COMMIT),
        (
            {
                ".commit": "$Format:%H$",
                ".git/HEAD": "ref: refs/heads/main\n",
                ".git/refs/heads/main": f"{COMMIT}\n",
            },
            COMMIT,
        ),
        (
            {
                ".commit": "$Format:%H$",
                ".git/HEAD": "ref: refs/heads/main\n",
                ".git/packed-refs": f"# pack-refs with: sorted\n{OTHER} refs/heads/other\n{COMMIT} "
                "refs/heads/main\n",
            },
            COMMIT,
        ),
        ({".commit": "$Format:%H$", ".git/HEAD": "ref: refs/heads/none\n"}, ""),
    ],
)
def test_the_commit(
    files: dict[str, str], told: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name, text in files.items():
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text(text, encoding="utf-8")
    monkeypatch.setattr(bundled, "PACKAGE", tmp_path / "preflight")
    assert bundled.commit() == told
