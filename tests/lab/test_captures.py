"""The bundled captures are what the manifest says, and the product says of them what was done to the rig."""

import hashlib
import json

import pytest

from preflight.checks import judge_all
from preflight.study import study
from preflight.verdict import decide
from tests.lab.bundled import FOLDER, LARGEST

MANIFEST = json.loads((FOLDER / "manifest.json").read_text(encoding="utf-8"))


def test_manifest_lists_every_capture() -> None:
    there = {path.name for path in FOLDER.iterdir() if ".pcap" in path.name}
    assert there == {entry["file"] for entry in MANIFEST}


@pytest.mark.parametrize("entry", MANIFEST, ids=lambda entry: entry["file"])
def test_verdict(entry: dict) -> None:
    raw = (FOLDER / entry["file"]).read_bytes()
    assert hashlib.sha256(raw).hexdigest() == entry["sha256"]
    assert len(raw) <= LARGEST
    findings = judge_all(study(str(FOLDER / entry["file"])))
    said = {word: sorted(f.check for f in findings if f.outcome == word) for word in ("fail", "caution")}
    assert said == {"fail": sorted(entry["expected_fail"]), "caution": sorted(entry["expected_caution"])}
    assert decide(findings).verdict == entry["expected_verdict"]
