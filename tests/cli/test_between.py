"""`between` from the command line: text, JSON by its schema, exit statuses, refusals."""

import json
from pathlib import Path

import jsonschema
import pytest

from tests.between.made import MS, Fate, both_ends, by_another_clock, stream
from tests.between.test_between import two_interfaces
from tests.cli.test_cli import run
from tests.tally.captures import rtp, write

SCHEMA = json.loads((Path(__file__).parents[2] / "docs/result.schema.json").read_text())


@pytest.fixture
def files(tmp_path: Path):
    def make(fates: dict[int, Fate], count: int = 2000) -> tuple[str, str]:
        a, b = both_ends(stream(count), fates)
        return str(write(tmp_path / "a.pcap", a)), str(write(tmp_path / "b.pcap", by_another_clock(b)))

    return make


def test_whole(files):
    done = run("between", *files({}))
    text = " ".join(done.stdout.split())
    assert done.exit_code == 0 and text.startswith("READY:")
    assert "2 000 are in both, which overlap for 2.0 s" in text and "B's clock +3.0" in text


def test_lost(files):
    done = run("between", *files({500: Fate(lost=True), 501: Fate(lost=True), 700: Fate(lost=True)}))
    text = " ".join(done.stdout.split())
    assert done.exit_code == 1 and "FAIL between-loss" in text
    assert "3 frames of the stream to 233.252.0.1 port 5004 lost on the way from A to B." in text
    assert "frame 501 of A and 1 after it: missing between frames 500 and 501 of B [0.500 s]" in text
    assert "Look at the cable and the switches between these two places" in text and "Take care: Mute" in text
    assert "First mend: between-loss" in text


def test_late_by_the_buffer(files):
    pair = files({500: Fate(delay_s=5 * MS)})
    assert "1 frame of the stream to 233.252.0.1 port 5004 came more than 1 ms late" in " ".join(
        run("between", *pair).stdout.split()
    )
    done = run("between", *pair, "--buffer", "10ms")
    assert "ms late" not in done.stdout and "between-delay" in done.stdout
    assert run("between", *pair, "--strict").exit_code == 1


def test_json_and_its_schema(files, tmp_path):
    pair = files(
        {500: Fate(lost=True), 600: Fate(delay_s=3 * MS), 700: Fate(again_s=MS), 800: Fate(sent=False)}
    )
    done = run("between", *pair, "--json")
    result = json.loads(done.stdout)
    jsonschema.validate(result, SCHEMA)
    assert result["source"]["kind"] == "between" and result["source"]["frames"] == 1998
    (path,) = result["between"]["paths"]
    assert (path["a"]["only"], path["late"], path["reordered"], path["b"]["doubled"], path["never"]) == (
        1,
        1,
        1,
        1,
        1,
    )
    assert path["a"]["gaps"][0]["frame"] == 501
    assert run("between", *pair, f"--json={tmp_path / 'out.json'}").stdout.startswith("READY WITH CAUTIONS")
    assert json.loads((tmp_path / "out.json").read_text()) == result


def test_a_pair(tmp_path):
    def network(group: str, gone: int, later: float) -> list:
        return [(1 + n * MS + later, rtp(5, group, n)) for n in range(2000) if n != gone]

    a = str(write(tmp_path / "a.pcap", network("233.252.0.1", 500, 0)))
    b = str(write(tmp_path / "b.pcap", network("233.252.1.1", 600, 2 * MS)))
    done = run("between", "--pair", "--one-clock", a, b)
    text = " ".join(done.stdout.split())
    # The same sender in both networks.
    assert done.exit_code == 1 and "FAIL pair-crossing" in text
    assert "Network A lost 1 packet of the stream to 233.252.0.1 port 5004; B has them all." in text
    result = json.loads(run("between", "--pair", "--one-clock", a, b, "--json").stdout)
    jsonschema.validate(result, SCHEMA)
    skew = next(each for each in result["findings"] if each["check"] == "pair-skew")
    assert skew["outcome"] == "pass" and skew["measured"]["most_ms"] == pytest.approx(2)
    assert run("between", "--pair", a, b, "--json").stdout.count("with two clocks") == 1


def test_two_interfaces_of_one_file(tmp_path):
    a, b = both_ends(stream(2000), {500: Fate(lost=True)})
    path = str(two_interfaces(tmp_path, a, b))
    for words in ((path,), (path, "--interfaces", "2,3")):
        done = run("between", *words)
        text = " ".join(done.stdout.split())
        assert "both.pcapng interface 2 and" in text and "one clock" in text and "from A to B" in text
    assert "from B to A" in run("between", path, "--interfaces", "3,2").stdout
    for wrong in ("1,2", "2", "2,2", "x,y"):
        done = run("between", path, "--interfaces", wrong)
        assert done.exit_code == 2 and "has frames of interface 2, 3" in done.stderr


def test_what_belongs_to_other_traffic_is_unproven(tmp_path):
    a = str(write(tmp_path / "a.pcap", stream(100)))
    b = str(write(tmp_path / "b.pcap", stream(100, sender=6)))
    done = run("between", a, b)
    assert done.exit_code == 3 and "UNPROVEN between-overlap" in done.stdout
    assert run("between", a, b, "--strict").exit_code == 1


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("{a}",), "has frames of interface 1"),
        (("{a}", "-"), "no pipe"),
        (("{a}", "{b}", "{b}"), "Give A and B"),
        (("{a}", "{b}", "--interfaces", "1,2"), "one file"),
        (("{a}", "{b}", "--json={b}"), "write over the capture"),
        (("{a}", "nowhere.pcap"), "no such file"),
        (("{a}", "{b}", "--buffer", "fast"), "no duration"),
    ],
)
def test_refusals(files, words, says):
    a, b = files({})
    done = run("between", *(word.format(a=a, b=b) for word in words))
    assert done.exit_code == 2 and done.stdout == "" and says in done.stderr and done.stderr.count("\n") == 1
