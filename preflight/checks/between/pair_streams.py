"""Whether every stream is there in both networks of a redundant pair, and whole in each; and whether each
covers the other."""

from collections.abc import Iterator

from preflight.between.facts import Lone, Path
from preflight.checks.asks import Networks
from preflight.checks.cautions import CABLE_ROUTE, MUTE_FIRST
from preflight.checks.finding import Evidence
from preflight.checks.rule import Check, Limit
from preflight.checks.say import counted, first_upper
from preflight.checks.says import Limits, Measured, Saw, Says, caution, fail, passed, unproven
from preflight.checks.see.paths import SHOWN, TAKE_AGAIN, called, gap_evidence, pair_of, titles, until_s
from preflight.checks.step import now

ONE_SIDE = now(
    "A stream in one network only: see that its sender's second adapter has link, is plugged into the other "
    "network, and is switched on for redundancy; then that its receivers there have asked for it."
)
EACH = now(
    "Mend the network that loses: look at its cables and switches, as if there were no other. `preflight "
    "study` its capture."
)
SENDER = now(
    "What is missing in both was never sent, or lost before the ways part: look at the sender and its "
    "computer."
)

CHECK = Check(
    name="pair-streams",
    subject="between",
    order=355,
    asks=Networks,
    verdict="needed",
    question="Is every stream in both networks, and whole in each?",
    looks_at=(
        "RTP packets by what both networks carry alike: header and media. For each stream what one network "
        "has and the other lacks (the other covers it), numbers that neither has (nothing covers them), and "
        "streams that only one carries."
    ),
    why="A redundant pair with one half broken sounds perfect, until the other half fails.",
    limits=(
        Limit("least_packets", 32, "packets from which on a stream counts", "common practice"),
        Limit("covered", 1, "packets that one network lost of a stream", "common practice"),
        Limit(
            "uncovered",
            1,
            "packets of a stream that neither has",
            "common practice: nothing is left to cover them",
        ),
        Limit("ended_s", 1, "seconds before the end after which a stream has stopped", "common practice"),
    ),
    sources=("RFC 7198: RTP streams sent twice", "RFC 3550 A.1, A.3"),
    fixes=(ONE_SIDE, EACH, SENDER, TAKE_AGAIN),
    cautions=(MUTE_FIRST, CABLE_ROUTE),
    unproven="Capture both networks at the same time where streams pass: at a receiver, or at a mirror "
    "port of a switch of each.",
)


def judge(view: Networks, limits: Limits) -> Says:
    between = view.between
    paths = pair_of(between)
    lone = [
        (name, each)
        for name, end in (("A", between.a), ("B", between.b))
        for each in end.lone
        if each.rtp and each.frames >= limits["least_packets"]
    ]
    if not paths:
        yield unproven("No RTP stream was found in both networks.", [_alone(*each) for each in lone[:SHOWN]])
        return
    yield Measured(
        {
            "streams": len(paths),
            "only_in_a": sum(name == "A" for name, _ in lone),
            "only_in_b": sum(name == "B" for name, _ in lone),
            "lost_in_a": sum(path.b.only for path in paths),
            "lost_in_b": sum(path.a.only for path in paths),
            "covered": sum(path.a.only + path.b.only for path in paths),
            "uncovered": sum(path.never for path in paths),
        }
    )
    if lone:
        lone.sort(key=lambda each: -each[1].frames)
        yield fail(
            f"{first_upper(titles([each for _, each in lone], 'stream', 'busiest'))} in one network only: "
            "nothing takes over.",
            [_alone(*each) for each in lone[:SHOWN]],
            fixes=(ONE_SIDE, TAKE_AGAIN),
        )
    yield from _uncovered(paths, limits)
    yield from _covered(paths, limits)
    yield from _stopped(view, paths, limits)
    yield passed(f"{counted(len(paths), 'stream')} in both networks, whole in each.")


def _alone(name: str, each: Lone) -> Evidence:
    return Evidence(
        f"{called(each)} only in {name}: {counted(each.frames, 'packet')} from frame {each.first_frame} on",
        None,
        each.first_s,
    )


def _uncovered(paths: list[Path], limits: Limits) -> Iterator[Saw]:
    gone = sorted((path for path in paths if path.never >= limits["uncovered"]), key=lambda path: -path.never)
    if gone:
        yield fail(
            f"{counted(sum(path.never for path in gone), 'packet')} of {titles(gone, 'stream')} missing in "
            "both networks: not covered.",
            [
                Evidence(
                    f"{called(path)}: {path.never} numbers"
                    + (f"; first missing before frame {path.jump_frame} of A" if path.jump_frame else ""),
                    None,
                    path.jump_s if path.jump_frame else None,
                )
                for path in gone[:SHOWN]
            ],
            fixes=(SENDER, EACH, TAKE_AGAIN),
        )


def _covered(paths: list[Path], limits: Limits) -> Iterator[Saw]:
    for lacking, other in (("A", "B"), ("B", "A")):
        lossy = [(path, path.b if lacking == "A" else path.a) for path in paths]
        lossy = [each for each in lossy if each[1].only >= limits["covered"]]
        if lossy:
            lossy.sort(key=lambda each: -each[1].only)
            yield caution(
                f"Network {lacking} lost {counted(sum(has.only for _, has in lossy), 'packet')} of "
                f"{titles([path for path, _ in lossy], 'stream')}; "
                f"{other} has them all.",
                [e for path, has in lossy[:SHOWN] for e in gap_evidence(path, has, other, lacking)],
                spans=[(gap.at_s, gap.end_s) for _, has in lossy for gap in has.gaps],
                fixes=(EACH, TAKE_AGAIN),
            )


def _stopped(view: Networks, paths: list[Path], limits: Limits) -> Iterator[Saw]:
    until = until_s(view.between)
    for name, other in (("A", "B"), ("B", "A")):
        ended = [(path, path.b if name == "A" else path.a) for path in paths]
        ended = [
            (path, has)
            for path, has in ended
            if has.ending.frames and has.ending.at_s <= until - limits["ended_s"] <= has.last_s
        ]
        if ended:
            ended.sort(key=lambda each: each[1].ending.at_s)
            yield fail(
                f"{first_upper(titles([path for path, _ in ended], 'stream', 'first'))} stopped in network "
                f"{name} and went on in {other}.",
                [
                    Evidence(
                        f"{called(path)}: from frame {has.ending.frame} of {other} on only there",
                        None,
                        has.ending.at_s,
                    )
                    for path, has in ended[:SHOWN]
                ],
                spans=[(has.ending.at_s, until) for _, has in ended],
                fixes=(ONE_SIDE, EACH, TAKE_AGAIN),
            )
