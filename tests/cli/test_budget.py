"""`budget` from the command line: text, JSON by its schema, the picture, exit statuses."""

import json
from pathlib import Path

import jsonschema
import pytest

from preflight.rig.template import TEMPLATE
from tests.cli.test_cli import run

SCHEMA = json.loads((Path(__file__).parents[2] / "docs/result.schema.json").read_text(encoding="utf-8"))


@pytest.fixture
def file(tmp_path) -> Path:
    path = tmp_path / "rig.toml"
    path.write_text(TEMPLATE, encoding="utf-8")
    return path


def test_text(file):
    done = run("budget", str(file))
    assert done.exit_code == 0 and done.stdout.startswith("READY WITH CAUTIONS: The Salt Road Revue")
    text = " ".join(done.stdout.split())  # as wide as the terminal is
    for words in (
        "From the rig sheet alone",
        "box left (box), sends 1.0%",
        "If the long run (foh 12 to stage 12) fails you lose",
        "foh 12 ══ stage 12: the long run, 85 m Cat 6A",
        "69.0% left",
        "box left ─9.7 µs→ stage ─10.2 µs→ foh ─9.7 µs→ desk: 30 µs, at worst",
        "engine B takes over",
    ):
        assert words in text
    assert run("budget", str(file), "--strict").exit_code == 1


def test_json_and_its_schema(file):
    done = run("budget", str(file), "--json")
    result = json.loads(done.stdout)
    jsonschema.validate(result, SCHEMA)
    assert result["source"]["kind"] == "sheet"
    assert {link["mbps"] for link in result["budget"]["links"]} == {0.0, 9.84}
    assert result["budget"]["paths"][0]["hops"] == ["box left", "stage", "foh", "desk"]


def test_not_ready(file):
    file.write_text(TEMPLATE.replace("length_m = 85", "length_m = 120"))
    done = run("budget", str(file))
    assert done.exit_code == 1 and "FAIL cable-length" in done.stdout


def test_the_picture(file, tmp_path):
    assert run("budget", str(file), "--svg", str(tmp_path / "rig.svg")).exit_code == 0
    assert (tmp_path / "rig.svg").read_text(encoding="utf-8").startswith("<svg")
    done = run("budget", str(file), "--svg", str(tmp_path))
    assert done.exit_code == 2 and "--svg" in done.stderr


def test_a_sheet_that_cannot_be_used(tmp_path):
    done = run("budget", str(tmp_path / "none.toml"))
    assert done.exit_code == 2 and done.stdout == "" and done.stderr.count("\n") == 1
