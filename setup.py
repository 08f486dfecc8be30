"""What pyproject.toml cannot say: captures and documents go into the wheel's package, and the commit that it is built from."""

import shutil
import sys
from pathlib import Path

from setuptools import setup
from setuptools.command.build_py import build_py

ROOT = Path(__file__).parent
sys.path.insert(0, str(ROOT))
from preflight import bundled  # noqa: E402


class WithWhatComesAlong(build_py):
    def run(self) -> None:
        super().run()
        if self.editable_mode:  # a checkout has them beside the package
            return
        package = Path(self.build_lib, "preflight")
        for name, kinds in (("captures", ["*"]), ("docs", ["*.md", "*.json", "*.toml"])):
            shutil.rmtree(package / name, ignore_errors=True)
            (package / name).mkdir()
            for kind in kinds:
                for file in sorted((ROOT / name).glob(kind)):
                    shutil.copy(file, package / name)
        (package / "commit.txt").write_text(bundled.commit() + "\n", encoding="utf-8")


setup(cmdclass={"build_py": WithWhatComesAlong})
