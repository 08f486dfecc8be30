"""One zip to send when asking for help: report, JSON, evidence, the capture, what the computer says of
itself, versions.

Each capture is anonymised first, into a new one; report, JSON and evidence are then made from the new one
alone, so that nothing of the original can get into them. What both say is compared, and where it differs the
zip says so. The zip is made in a folder beside its place and moved there when it is whole; its entries have
no times of their own.
"""

import shutil
import sys
import zipfile
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from functools import partial
from importlib import metadata
from pathlib import Path

import numpy as np

from preflight import __version__
from preflight.anonymise.capture import Anonymiser, rank_of, rewritten
from preflight.anonymise.cover import Cover
from preflight.anonymise.facts import adapter_name, host_of, sheet_of
from preflight.anonymise.kept import Kept, originals_of
from preflight.facts import Facts
from preflight.frames.batch import Progress
from preflight.frames.capture import CaptureFile
from preflight.host.facts import HostFacts
from preflight.report.evidence import write_evidence
from preflight.report.html import as_html
from preflight.report.html.closeup import with_milliseconds
from preflight.report.html.devices import devices
from preflight.report.result import as_json, moment
from preflight.report.saved import IN_ZIP, as_text
from preflight.study import study, surveyed
from preflight.text import clean, to_json
from preflight.verdict import Result, judged

NAME = "capture.pcapng"
EPOCH = (1980, 1, 1, 0, 0, 0)  # a zip knows none before
LIBRARIES = ("click", "jinja2", "llvmlite", "netaddr", "numba", "numpy", "psutil", "pydantic", "rich", "scapy", "zeroconf")  # fmt: skip
Bars = Callable[[str], Progress]


@dataclass(frozen=True)
class Original:
    """One capture as it is: where it lies, what it was judged to be, and its flows of RTP."""

    path: str
    result: Result
    rtp: np.ndarray


@dataclass(frozen=True)
class Part:
    """What goes into the zip of one capture: `result` is of what is sent. `left_out` frames are beyond the
    limit of `capture`, `thinned` ones lost a message that nobody reads. `differs` says by check what the
    original gives instead."""

    result: Result
    capture: Path | None
    evidence: tuple[Path, ...]
    left_out: int
    thinned: int
    differs: dict[str, tuple[str, str]]


def read(path: str, about: Facts, on_progress: Progress | None = None) -> Original:
    """Judge the capture at `path`; what `about` says beside it (computer, rig sheet) is judged with it."""
    facts, survey = surveyed(path, on_progress)
    return Original(path, judged(_joined(facts, about)), survey.rtp_flows())


def cover_for(originals: Iterable[Original], key: np.ndarray) -> Cover:
    cover = Cover(key)
    rank_of([original.result.facts for original in originals], cover)
    return cover


def part(
    original: Original | None,
    about: Facts,
    cover: Cover | None,
    folder: Path,
    limit: int,
    on_progress: Progress,
) -> Part:
    """Make one part in `folder`. Without an original, it is about the computer alone."""
    shown = about if cover is None else covered(about, cover)
    if original is None:
        result = judged(shown)
        return Part(result, None, (), 0, 0, _differences(judged(about), result))
    folder.mkdir(parents=True)
    whole = folder / NAME
    say = partial(on_progress, 0, None, 0)
    anonymiser = Anonymiser(cover, original.rtp, say) if cover is not None else None
    with whole.open("wb") as file:
        frames = rewritten(CaptureFile(original.path, on_progress), anonymiser, file)
    facts = study(str(whole), on_progress)
    if facts.source is None or facts.source.partial:
        raise KeyboardInterrupt  # a part of what is sent would not be judged
    result = judged(_joined(replace(facts, source=replace(facts.source, name=NAME)), shown))
    result = with_milliseconds(str(whole), result, on_progress)
    evidence = write_evidence(str(whole), result, folder / "evidence", on_progress)
    kept = frames
    if whole.stat().st_size > limit:
        small = folder / "small.pcapng"
        with small.open("wb") as file:
            kept = rewritten(CaptureFile(str(whole), on_progress), None, file, limit)
        small.replace(whole)
    thinned = anonymiser.thinned if anonymiser is not None else 0
    return Part(result, whole, tuple(evidence), frames - kept, thinned, _differences(original.result, result))


def covered(about: Facts, cover: Cover) -> Facts:
    """Computer and rig sheet, anonymised."""
    name = about.adapter
    return replace(
        about,
        host=about.host and host_of(about.host, cover),
        host_after=about.host_after and host_of(about.host_after, cover),
        adapter=name and adapter_name(name, cover),
        wire_refused=about.wire_refused.replace(name, adapter_name(name, cover)) if name else "",
        sheet=about.sheet and sheet_of(about.sheet, cover),
    )


def _joined(facts: Facts, about: Facts) -> Facts:
    """What was heard, and what is known beside it. At the computer itself, it was heard at its port."""
    here = about.host is not None
    if about.link_assumed:
        about = replace(about, link_mbps=facts.link_mbps, link_assumed=facts.link_assumed)
    return replace(
        about,
        source=facts.source,
        tally=facts.tally,
        wire=facts.wire,
        vantage="access port" if here and facts.vantage != "mirror" else facts.vantage,
    )


def _differences(original: Result, sent: Result) -> dict[str, tuple[str, str]]:
    one, other = (
        {"verdict": r.verdict.verdict}
        | {ranked.finding.check: ranked.finding.outcome.value for ranked in r.verdict.findings}
        for r in (original, sent)
    )
    names = sorted(one.keys() | other.keys())
    found = ((name, one.get(name, "not judged"), other.get(name, "not judged")) for name in names)
    return {name: (was, now) for name, was, now in found if was != now}


def kept_of(
    originals: Iterable[Original], about: Facts, cover: Cover, place: Path, captures: Iterable[str]
) -> Kept:
    """What the sender's computer keeps of the zip at `place`, made of what lies at `captures`."""
    heard = [*(original.result.facts for original in originals), about]
    names = {
        device.hardware: ", ".join((*device.names, *device.addresses))
        for facts in heard
        for device in devices(facts)
        if device.names or device.addresses
    }
    return Kept(
        str(place.resolve()),
        datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z"),
        tuple(str(Path(capture).resolve()) for capture in captures),
        originals_of(heard, cover),
        names,
    )


# -- the zip -------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Extra:
    """Beside the parts: `computer` as it goes in, `files` that the user agreed to, and what was `left_out`,
    in words."""

    computer: HostFacts | None
    files: dict[str, bytes]
    left_out: tuple[str, ...]
    anonymised: bool
    key_kept: bool


def members(parts: list[Part], extra: Extra) -> dict[str, bytes | Path]:
    """All entries of the zip by name."""
    found: dict[str, bytes | Path] = dict(extra.files)
    for number, each in enumerate(parts, 1):
        at = f"{number}/" if len(parts) > 1 else ""
        found[f"{at}report.html"] = as_html(each.result).encode()
        found[f"{at}result.json"] = as_json(each.result).encode()
        found[f"{at}{IN_ZIP}"] = as_text(each.result, extra.anonymised).encode()
        if each.capture is not None:
            found[f"{at}{NAME}"] = each.capture
        found |= {f"{at}evidence/{path.name}": path for path in each.evidence}
    if extra.computer is not None:
        found["computer.json"] = to_json(asdict(extra.computer)).encode()
    found["versions.json"] = to_json(versions()).encode()
    found["README.txt"] = readme(parts, extra).encode()
    return dict(sorted(found.items()))


def write(entries: dict[str, bytes | Path], path: Path) -> None:
    """Write the zip whole to `path`."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as out:
        for name, content in entries.items():
            info = zipfile.ZipInfo(name, EPOCH)
            info.compress_type = zipfile.ZIP_DEFLATED
            info.external_attr = 0o644 << 16
            if isinstance(content, bytes):
                out.writestr(info, content)
            else:
                info.file_size = content.stat().st_size
                with content.open("rb") as source, out.open(info, "w") as target:
                    shutil.copyfileobj(source, target, 1 << 20)


def versions() -> dict[str, object]:
    """What this ran on. No name of the computer or of its user."""
    import platform

    def version(library: str) -> str | None:
        try:
            return metadata.version(library)
        except metadata.PackageNotFoundError:
            return None

    return {
        "preflight": __version__,
        "python": platform.python_version(),
        "implementation": platform.python_implementation(),
        "system": sys.platform,
        "release": platform.release(),
        "machine": platform.machine(),
        "libraries": {library: version(library) for library in LIBRARIES},
    }


REPLACED = """\
Addresses, names and contents are replaced, everywhere in the same way. What stays, because the verdict rests on it:
the makers' half of hardware addresses; private, link-local and internet addresses each as such, and which of them share
a network; groups, ports, VLANs, priorities, sequence numbers, lengths and times; kinds of services.
Audio is zeroed. Other contents are a keyed digest and zeros. Checksums are as right or wrong as they were.
The key stays with the sender, who alone can tell what was what: on the computer that made this zip,
`preflight handover --who ADDRESS` says which device an address or a name of this report stands for."""
AS_IT_IS = (
    "NOTHING IS ANONYMISED: addresses, names and contents are those of the sender. Keep it to yourself."
)


def readme(parts: list[Part], extra: Extra) -> str:
    lines = [
        "Asking for help: what preflight found, and what it rests on",
        "",
        "report.html    open it in any browser: verdict, time line, devices; it asks nothing of any network",
        "result.json    the same for scripts",
        f"{IN_ZIP}     the result for `preflight compare`",
        "evidence/      for each finding the frames that prove it, with comments",
        f"{NAME} what was heard; frame numbers count in it from 1",
        "computer.json  the computer on which this zip was made: adapters, addresses, power",
        "versions.json  of preflight, Python, libraries, system",
    ]
    lines += ["note.txt       what the sender wrote"] * ("note.txt" in extra.files)
    lines += ["rig.toml       the sender's rig sheet, as it is"] * ("rig.toml" in extra.files)
    lines += ["", *(REPLACED if extra.anonymised else AS_IT_IS).splitlines()]
    if extra.anonymised and not extra.key_kept:
        lines.append("The key could not be kept: the sender's next zip will have other replacements.")
    for number, each in enumerate(parts, 1):
        source = each.result.facts.source
        lines += ["", f"Capture {number}, in folder {number}/:" if len(parts) > 1 else "What was judged:"]
        lines.append(f"  Verdict: {each.result.verdict.verdict}")
        if source is not None:
            lines.append(
                f"  {source.frames} frame{'' if source.frames == 1 else 's'} in {source.duration_s:.1f} s, "
                f"from {moment(source.first_ns) or 'no time told'}"
            )
        if each.left_out:
            lines.append(f"  {NAME} lacks the last {each.left_out} frames: it has reached its limit.")
            lines.append("  Report, JSON and evidence are of all of them.")
        if each.thinned:
            lines.append(f"  {each.thinned} messages that preflight does not read any more are digests.")
        if each.differs:
            lines.append("  NOT THE SAME AS ON THE ORIGINAL. Ask the sender, who can study it:")
            lines += [f"    {name}: {was} there, {now} here" for name, (was, now) in each.differs.items()]
        elif extra.anonymised:
            lines.append("  The original gives the same verdict, and the same outcome of every check.")
    if extra.left_out:
        lines += ["", "Left out:", *(f"  {clean(words, 300)}" for words in extra.left_out)]
    return "\n".join(lines) + "\n"
