"""The build hook: captures, documents and the commit go into the wheel's package, and the commit into the
sdist."""

import sys
import tempfile
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface


class Along(BuildHookInterface):
    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        if version == "editable":  # a checkout has them beside the package
            return
        root = Path(self.root)
        sys.path.insert(0, str(root))
        from preflight import bundled

        self._made = tempfile.TemporaryDirectory(prefix="preflight-")  # goes with this hook
        commit = Path(self._made.name, "commit.txt")
        commit.write_text(bundled.commit() + "\n", encoding="utf-8")
        along = {commit: "preflight/commit.txt"}
        if self.target_name == "wheel":
            files = [*root.glob("captures/*"), *(f for f in root.glob("docs/*") if f.suffix != ".png")]
            along |= {file: f"preflight/{file.relative_to(root).as_posix()}" for file in files}
        build_data["force_include"] |= {str(file): place for file, place in along.items()}
