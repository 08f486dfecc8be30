"""Evidence files, read by a general reader of pcapng (Scapy) and beside the capture that they were cut
from."""

from dataclasses import replace
from pathlib import Path

import pytest
from scapy.utils import RawPcapNgReader, RawPcapReader

from preflight.checks.finding import Evidence, Finding, Outcome
from preflight.facts import Facts
from preflight.frames.batch import ROWS, Frame
from preflight.frames.capture import CaptureFile
from preflight.frames.pcapng import Excerpt
from preflight.report.evidence import NEIGHBOURS, write_evidence
from preflight.study import study
from preflight.verdict import Result, decide, judged

CAPTURES = Path(__file__).parents[2] / "captures"
LOOP = CAPTURES / "loop.pcap.gz"


def read(file: Path) -> dict[int, tuple[bytes, str]]:
    """Frames and comments by the number in the comment."""
    found = {}
    with RawPcapNgReader(str(file)) as reader:
        for data, about in reader:
            comment = about.comments[0].decode()
            found[int(comment.split()[1].rstrip(":"))] = (data, comment)
    return found


def original() -> list[bytes]:
    with RawPcapReader(str(LOOP)) as reader:
        return [data for data, _ in reader]


def test_the_frames_that_prove_a_loop_and_their_neighbours(tmp_path):
    result = judged(study(str(LOOP)))
    files = write_evidence(str(LOOP), result, tmp_path)
    assert {file.name for file in files} == {"loop.pcapng", "multicast-storm.pcapng"}
    found = read(tmp_path / "loop.pcapng")
    finding = next(r.finding for r in result.verdict.findings if r.finding.check == "loop")
    frames = original()
    for seen in finding.evidence:
        assert seen.frame is not None and seen.text in found[seen.frame][1]
        assert all(n in found for n in range(max(seen.frame - NEIGHBOURS, 1), seen.frame + NEIGHBOURS + 1))
    assert all(data == frames[number - 1] for number, (data, _) in found.items())
    assert len(found) < 6 * (2 * NEIGHBOURS + 1)
    with RawPcapNgReader(str(tmp_path / "loop.pcapng")) as reader:
        assert all(about.linktype == 1 and about.tshigh > 0 for _, about in reader)


@pytest.mark.parametrize("number", [1, ROWS - 1, ROWS, ROWS + 1, ROWS + NEIGHBOURS, 2 * ROWS])
@pytest.mark.parametrize("by_time", [False, True])
def test_neighbours_across_batches(tmp_path, number, by_time):
    """Frames asked for by number or by time, at the edges of what is read at once."""
    capture = tmp_path / "many.pcapng"
    with capture.open("wb") as out:
        writer = Excerpt(out)
        for n in range(1, 2 * ROWS + 1):
            writer.add(Frame(n, 1_700_000_000_000_000_000 + n * 10_000, 1, 64, False, n.to_bytes(4) * 15))
    seen = Evidence("here", None if by_time else number, (number - 1) / 1e5)
    verdict = decide([Finding("loop", Outcome.FAIL, "x", (seen,))])
    (file,) = write_evidence(str(capture), Result(Facts(), verdict), tmp_path / "new" / "folder")
    found = read(file)
    low, high = max(number - NEIGHBOURS, 1), min(number + NEIGHBOURS, 2 * ROWS)
    assert sorted(found) == list(range(low, high + 1))
    assert all(data == n.to_bytes(4) * 15 for n, (data, _) in found.items())
    assert found[number][1].endswith("loop: here")


def test_what_passed_or_was_never_seen_has_no_file(tmp_path):
    seen = (Evidence("x", 17, 0.5),)
    verdict = decide(
        [Finding("loop", Outcome.PASS, "x", seen), Finding("clock", Outcome.FAIL, "x", (Evidence("y"),))]
    )
    assert write_evidence(str(LOOP), Result(Facts(), verdict), tmp_path) == []


def test_a_capture_written_again_reads_the_same(tmp_path):
    capture = CaptureFile(str(LOOP))
    copy = tmp_path / "copy.pcapng"
    with copy.open("wb") as out:
        writer = Excerpt(out)
        for batch in capture.batches():
            for row in range(batch.rows):
                writer.add(batch.frame(row))
    before, after = judged(study(str(LOOP))), judged(study(str(copy)))
    assert after.facts.source is not None and before.facts.source is not None
    assert after.facts.source == replace(before.facts.source, name=after.facts.source.name)
    assert after.facts.tally == before.facts.tally


def test_times_count_from_where_the_listening_began(tmp_path):
    """What was kept while listening begins with a frame, the times of its evidence with the listening."""
    result = judged(study(str(LOOP)))
    source = result.facts.source
    assert source is not None and source.first_ns is not None
    live = replace(source, first_ns=source.first_ns - 5_000_000_000)
    finding = Finding("loop", Outcome.FAIL, "x", (Evidence("here", None, 5.0 + 0.999979182),))
    verdict = decide([finding])
    (file,) = write_evidence(str(LOOP), Result(replace(result.facts, source=live), verdict), tmp_path)
    assert [number for number, (_, comment) in read(file).items() if "here" in comment] == [141]


def test_the_captures_own_comments_come_with_the_frames(tmp_path):
    capture = tmp_path / "commented.pcapng"
    with capture.open("wb") as out:
        writer = Excerpt(out)
        for n in range(1, 100):
            writer.add(
                Frame(n, 10**9 + n * 10**6, 1, 60, False, bytes(60)), "here it clicked" if n == 50 else ""
            )
    finding = Finding("loop", Outcome.FAIL, "There is a loop.", (Evidence("again", 52, None),))
    facts = study(str(capture))
    assert [(said.text, said.frame, said.time_s) for said in facts.source.comments] == [
        ("here it clicked", 50, 0.049)
    ]
    write_evidence(str(capture), Result(facts, decide([finding])), tmp_path / "evidence")
    found = read(tmp_path / "evidence" / "loop.pcapng")
    assert (
        found[50][1].endswith("the capture's own comment: here it clicked")
        and "own comment" not in found[51][1]
    )
