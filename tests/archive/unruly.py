"""Preloaded by the workers of a test: a capture whose name says so ends the worker that reads it, never comes
to an end, or takes its time, so that what is killed is killed in the middle on a fast computer too."""

import os
import signal
import time
from pathlib import Path

from preflight.archive import judge
from preflight.frames.batch import Progress

judge.GRACE_S = 1.0
really = judge.study


def study(path: str, on_progress: Progress | None = None) -> object:
    if "deadly" in Path(str(path)).name:
        os.kill(os.getpid(), signal.SIGKILL)
    if "endless" in Path(str(path)).name:
        time.sleep(3600)
    if "lasting" in Path(str(path)).name:
        time.sleep(0.1)
    if "faulty" in Path(str(path)).name:
        raise RuntimeError("not thought of")
    return really(path, on_progress)


judge.study = study  # type: ignore[assignment]
