"""The JSON of a result against its schema, and the two made docs against the checks."""

import json
import subprocess
import sys

import pytest
from jsonschema import Draft202012Validator

from preflight.report import schema
from preflight.report.result import as_dict, as_json
from tests.report.samples import RESULTS, hostile


def validator():
    written = json.loads(schema.schema())
    Draft202012Validator.check_schema(written)
    # The samples speak of checks that may not be built: the enumeration is tested by itself.
    names = [finding["check"] for r in (*RESULTS.values(), hostile()) for finding in as_dict(r)["findings"]]
    finding = written["$defs"]["FindingRecord"]["properties"]
    for enum in (finding["check"]["enum"], finding["explained_by"]["items"]["enum"]):
        enum.extend(set(names) - set(enum))
    return Draft202012Validator(written)


@pytest.mark.parametrize("name", RESULTS)
def test_results_keep_the_schema(name):
    validator().validate(json.loads(as_json(RESULTS[name])))


def test_hostile_text_and_numbers_become_strict_json():
    text = as_json(hostile())
    text.encode("utf-8")
    assert not any(c in text for c in "\x1b\x07\u202e\ud800\u2028\x9b")

    def refuse(constant):
        raise AssertionError(constant)

    read = json.loads(text, parse_constant=refuse)
    validator().validate(read)
    assert read["findings"][0]["evidence"][0]["time_s"] is None
    assert read["source"]["first_frame_at"] is None


def test_contract_of_a_finding():
    first, second, *_ = as_dict(RESULTS["loop"])["findings"]
    assert (first["check"], first["fix_first"], list(first["explained_by"])) == ("loop", 1, [])
    assert (second["check"], second["fix_first"], list(second["explained_by"])) == (
        "broadcast-storm",
        None,
        ["loop"],
    )
    assert first["evidence"][0] == {
        "text": "one frame came 4 200 times: ARP from 00:00:5e:00:53:01 (192.0.2.11)",
        "frame": 17,
        "time_s": 1.25,
    }


def test_one_line_for_json_lines():
    assert "\n" not in as_json(hostile(), indent=None)


@pytest.mark.parametrize(
    ("file", "made"), [("result.schema.json", schema.schema), ("checks.md", schema.checks_page)]
)
def test_made_docs_are_current(file, made):
    assert (schema.DOCS / file).read_text(encoding="utf-8") == made(), "run python -m preflight.report.schema"


def test_a_study_loads_no_more_than_it_looks_at():
    """What the first verdict would wait for: checks and facts of the computer, the plan, a soak, two
    captures."""
    code = (
        "import sys\nfrom preflight import bundled\nfrom preflight.study import study\nfrom "
        "preflight.verdict import judged\njudged(study(str(bundled.folder('captures') / "
        "'no-dhcp.pcap')))\nprint(sorted(m for m in sys.modules if m.startswith('preflight.checks.') and "
        "m.split('.')[2] in ('computer', 'plan', 'soak', 'between') or m in ('preflight.host.facts', "
        "'preflight.rig.sheet', 'networkx', 'scapy')))"
    )
    assert subprocess.check_output([sys.executable, "-c", code], text=True).strip() == "[]"


def test_the_checks_load_neither_numba_nor_scapy():
    code = "import sys, preflight.checks as c; c.all_checks(); print({'numba','scapy'} & set(sys.modules))"
    assert subprocess.check_output([sys.executable, "-c", code], text=True).strip() == "set()"
