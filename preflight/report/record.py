"""The shape of a result's JSON, told once: mypy holds what is written to it, and the schema in docs/ is made
from it.

Only type checkers and `preflight.report.schema` read this file: pydantic takes longer to import than a result
to write.
"""

from collections.abc import Mapping, Sequence
from typing import Annotated, Literal, NotRequired

from pydantic import Field
from typing_extensions import TypedDict

from preflight.facts import Vantage
from preflight.soak.facts import State
from preflight.verdict import Word

Count = Annotated[int, Field(ge=0)]
Positive = Annotated[float, Field(ge=0)]
Moment = Annotated[str | None, Field(description="UTC, RFC 3339")]
Texts = Sequence[str]


class EvidenceRecord(TypedDict):
    text: str
    frame: Annotated[
        int | None, Field(ge=1, description="counts from 1 in file order; in `file`, where there are several")
    ]
    file: NotRequired[str]
    time_s: Annotated[float | None, Field(description="seconds from the first frame")]


class StepRecord(TypedDict):
    text: str
    when: Annotated[
        Literal["while planning", "now", "in a break", "before doors"],
        Field(description="now: it interrupts nothing; before doors: it can interrupt all audio"),
    ]
    tell: Annotated[Texts, Field(description="whom to tell first, for it is heard")]


class FindingRecord(TypedDict):
    check: str
    outcome: Literal["fail", "caution", "unproven", "pass"]
    headline: str
    fix_first: Annotated[int | None, Field(ge=1, description="place in the order of fixing; 1 is first")]
    explained_by: Texts
    evidence: Sequence[EvidenceRecord]
    measured: Mapping[str, object]
    limits: Mapping[str, float | None]
    fixes: Annotated[Texts, Field(description="the texts of the steps")]
    steps: Sequence[StepRecord]
    cautions: Texts
    culprits: Annotated[Texts, Field(description="hardware addresses or adapter names")]


class PieceRecord(TypedDict):
    file: str
    first_frame: Annotated[int, Field(ge=1, description="among the frames of all files")]


class InterfaceRecord(TypedDict):
    """What the capture file says of an adapter, in its own words."""

    name: str
    description: str
    link_type: str
    filter: str
    speed_mbps: Count | None
    frames: Count
    dropped: Count | None


class CommentRecord(TypedDict):
    frame: Annotated[int | None, Field(ge=1, description="among the frames of all files")]
    text: str


class AddressNameRecord(TypedDict):
    address: str
    name: str


class SourceRecord(TypedDict):
    """What comes last stands only where frames were heard or read."""

    kind: Literal["capture", "live", "host", "sheet", "between"]
    name: str
    frames: Count
    duration_s: Positive
    vantage: Vantage
    adapter: str | None
    wire_refused: Annotated[str, Field(description="why the wire could not be judged; empty otherwise")]
    captured_bytes: NotRequired[Count]
    first_frame_at: NotRequired[Moment]
    link_types: NotRequired[Texts]
    link_mbps: NotRequired[Count]
    link_assumed: NotRequired[bool]
    dropped: NotRequired[Count | None]
    cut: NotRequired[Count]
    malformed: NotRequired[Count]
    steps_back: NotRequired[Count]
    ended_early: NotRequired[str]
    partial: NotRequired[bool]
    put_together: NotRequired[Annotated[int, Field(ge=2, description="captures in one file, end to end")]]
    pieces: NotRequired[Sequence[PieceRecord]]
    interfaces: NotRequired[Sequence[InterfaceRecord]]
    comments: NotRequired[Sequence[CommentRecord]]
    names: NotRequired[Sequence[AddressNameRecord]]


class NameRecord(TypedDict):
    name: str
    told_by: Literal["rig sheet", "computer", "LLDP", "CDP", "mDNS", "DHCP", "announcement", "capture"]


class SentRecord(TypedDict):
    what: str
    frames: Count


class DeviceRecord(TypedDict):
    hardware: Annotated[str, Field(description="hardware address; empty where it is not known")]
    name: Annotated[str, Field(description="what the device is called in headlines and evidence")]
    names: Annotated[Sequence[NameRecord], Field(description="the best first")]
    maker: Annotated[str, Field(description="as registered; empty where it is not known")]
    this_computer: bool
    state: Annotated[
        Literal["heard", "listed", "stranger", "missing", "silent"],
        Field(
            description="heard: there is no sheet to compare with, or it is this computer; listed: heard, "
            "and on the rig sheet; stranger: heard, and not on it; missing: on it, and shown "
            "not to be there; silent: on it, and not heard"
        ),
    ]
    addresses: Annotated[Texts, Field(description="IP addresses, the first few")]
    more_addresses: Count
    does: Annotated[Texts, Field(description="what it was seen to do, in words")]
    attached: Annotated[str, Field(description="switch and port that it is plugged into, where told")]
    port: Annotated[str, Field(description="its own port, from which it told of itself")]
    planned_port: Annotated[str, Field(description="switch and port by the rig sheet")]
    sends: Annotated[Sequence[SentRecord], Field(description="the most first, the first few")]
    frames: Count
    bytes: Annotated[int, Field(ge=0, description="on the wire, with preamble, check sequence and gap")]
    first_s: Annotated[float | None, Field(description="first heard, seconds from the first frame")]
    last_s: Annotated[float | None, Field(description="last heard")]


# "from" is a word of Python's.
LinkRecord = TypedDict(
    "LinkRecord",
    {
        "from": str,
        "to": str,
        "speed_mbps": Count,
        "length_m": Positive | None,
        "mbps": Positive,
        "share": Annotated[float, Field(ge=0, description="of the link, this way")],
        "burst_us": Annotated[float, Field(ge=0, description="one packet of each stream at once")],
        "streams": Texts,
        "sure_mbps": Annotated[Positive, Field(description="without what crosses it only if those flood")],
        "taken_to_flood": Annotated[
            Texts, Field(description="switches of which the sheet does not tell whether they snoop")
        ],
    },
)


class PathRecord(TypedDict):
    stream: str
    receiver: str
    hops: Texts
    hop_us: Annotated[Sequence[Positive], Field(description="from each hop to the next")]
    delay_us: Positive
    worst_us: Positive


class FailureRecord(TypedDict):
    what: str
    kind: Literal["cable", "switch", "engine"]
    lost_devices: Texts
    lost_streams: Sequence[Annotated[Texts, Field(description="stream and receiver")]]
    takes_over: str | None
    busiest_share: Positive | None


class BudgetRecord(TypedDict):
    links: Sequence[LinkRecord]
    paths: Sequence[PathRecord]
    failures: Sequence[FailureRecord]


class FiguresRecord(TypedDict):
    watched_s: Positive
    frames: Count
    bytes: Count
    dropped: Count
    stream_packets_lost: Count
    beats_missing: Count
    broken: Annotated[int | None, Field(ge=0, description="frames, as the adapter counted them")]
    downs: Annotated[int, Field(ge=0, description="how often the link went down")]
    down_s: Positive
    changes: Annotated[int, Field(ge=0, description="of speed or duplex")]
    slowest_mbps: Count | None
    fastest_mbps: Count | None
    adapter_c: float | None
    computer_c: float | None
    rises: Annotated[Mapping[str, Count], Field(description="of the adapter's own counts")]


class RunRecord(TypedDict):
    begun: Moment
    until: Moment
    watched_s: Positive


class HourRecord(TypedDict):
    hour: Moment
    figures: FiguresRecord


class NoteRecord(TypedDict):
    at: Moment
    kind: str
    check: str | None
    text: str


class SoakRecord(TypedDict):
    number: Count
    item: str
    serial: str
    who: str
    adapter: str
    hardware: str
    computer: str
    state: State
    planned_s: Positive
    begun: Moment
    until: Moment
    runs: Sequence[RunRecord]
    figures: FiguresRecord
    by_hour: Sequence[HourRecord]
    happened: Sequence[NoteRecord]


class GapRecord(TypedDict):
    frames: Count
    frame: Annotated[int, Field(ge=1, description="first of them, in the capture that has them")]
    at_s: float
    end_s: float
    other_before: Annotated[int, Field(description="frame before it in the capture that lacks them")]
    other_after: int


class HereRecord(TypedDict):
    """A flow in one of the captures. What is `only` there lies between two frames that both have."""

    frames: Count
    first_frame: Count
    first_s: float
    last_frame: Count
    last_s: float
    only: Count
    gap_count: Count
    longest: Count
    alike: Annotated[int, Field(ge=0, description="of `only`, frames whose content repeats")]
    gaps: Annotated[Sequence[GapRecord], Field(description="the first of them")]
    at_the_end: Annotated[int, Field(ge=0, description="only there after the last that both have")]
    doubled: Count
    more: Annotated[int, Field(ge=0, description="more than in the other, of contents that repeat")]


class SeenRecord(TypedDict):
    a: Annotated[int, Field(description="frame of A")]
    b: Annotated[int, Field(description="frame of B")]
    at_s: float


class HeldPathRecord(TypedDict):
    source: str
    destination: str
    source_ip: str
    destination_ip: str
    ethertype: Count
    protocol: int | None
    source_port: Count
    destination_port: Count
    b_source: str
    b_source_ip: str
    b_destination_ip: str
    rtp: bool
    way: Annotated[Literal["A to B", "B to A"] | None, Field(description="null: not known")]
    matched: Count
    a: HereRecord
    b: HereRecord
    timed: Count
    least_s: float | None
    most_s: float | None
    spread_s: Annotated[float, Field(ge=0, description="most beyond the least: RFC 5481")]
    spread_at: SeenRecord | None
    mean_s: Positive
    late: Count
    first_late: SeenRecord | None
    reordered: Count
    first_reordered: SeenRecord | None
    never: Annotated[int, Field(ge=0, description="numbers that came to neither")]


class LoneRecord(TypedDict):
    source: str
    destination: str
    source_ip: str
    destination_ip: str
    ethertype: Count
    protocol: int | None
    destination_port: Count
    rtp: bool
    frames: Count
    first_frame: Count


class EndRecord(TypedDict):
    name: str
    frames: Count
    first_s: float
    last_s: float
    first_frame_at: Moment
    dropped: Count | None
    cut: Annotated[int, Field(ge=0, description="too short to compare")]
    link_local: Annotated[int, Field(ge=0, description="frames that no bridge passes on")]
    no_room: Count
    twins: Annotated[int, Field(ge=0, description="what a mirror showed again")]
    lone: Annotated[Sequence[LoneRecord], Field(description="flows that the other lacks")]


class ClocksRecord(TypedDict):
    one: bool
    offset_s: Annotated[float, Field(description="what B's clock shows more than A's")]
    uncertainty_s: Positive
    drift_ppm: float
    bend_s: Positive
    contents: Count


class BetweenRecord(TypedDict):
    """Times are seconds from A's first frame, on A's clock."""

    pair: bool
    a: EndRecord
    b: EndRecord
    clocks: ClocksRecord | None
    common_s: Positive
    matched: Count
    patience_s: Positive
    late_s: Positive
    paths: Sequence[HeldPathRecord]


class ToolRecord(TypedDict):
    name: Literal["preflight"]
    version: str


class ApartRecord(TypedDict):
    """What is judged of one adapter's frames alone; frames are numbered as in the file."""

    adapter: str
    frames: Count
    verdict: Word
    findings: Sequence[FindingRecord]


class ResultRecord(TypedDict):
    schema: Literal[1]
    tool: ToolRecord
    verdict: Word | Literal["unreadable"]
    refused: NotRequired[
        Annotated[str, Field(description="why a capture was not read; it has no findings then")]
    ]
    source: SourceRecord
    findings: Sequence[FindingRecord]
    apart: NotRequired[
        Annotated[Sequence[ApartRecord], Field(description="each adapter of a capture that has several")]
    ]
    devices: NotRequired[
        Annotated[Sequence[DeviceRecord], Field(description="where frames were heard or read")]
    ]
    budget: NotRequired[Annotated[BudgetRecord, Field(description="of `preflight budget` alone")]]
    between: NotRequired[Annotated[BetweenRecord, Field(description="of `preflight between` alone")]]
    soak: NotRequired[Annotated[SoakRecord, Field(description="of `preflight soak` alone")]]
