"""The tables of an archive and their columns, told once: the store writes by them, and the library asks by
them.

Kinds: text, texts (a list), int (64 bits), float, bool, moment (UTC). Lists of objects and maps of numbers
are JSON in text. A change here that older readers would misread needs a new SCHEMA.
"""

from collections.abc import Mapping, Sequence

SCHEMA = 1

Row = dict[str, object]
Rows = Mapping[str, Sequence[Row]]  # by table

TABLES: dict[str, dict[str, str]] = {
    # One row a capture. `unreadable` says why it could not be judged, and is "" mostly; `limit_s` is the time
    # that it was given; `marks` are the fingerprints of the checks that judged it, as JSON by name.
    "captures": {
        "capture": "text", "judged_ns": "int", "tool": "text", "marks": "text", "name": "text", "bytes": "int",
        "verdict": "text", "unreadable": "text", "too_slow": "bool", "limit_s": "float", "first_frame_at": "moment",
        "duration_s": "float", "frames": "int", "vantage": "text", "link_types": "texts", "dropped": "int", "cut": "int",
        "malformed": "int", "ended_early": "text", "more_flows": "int",
    },
    # `fix_first` and `explained_by` as in a result; `fixes` stand behind the time when
    # they may be done; `makers` are those of the culprits.
    "findings": {
        "capture": "text", "check": "text", "outcome": "text", "fix_first": "int", "explained_by": "texts",
        "headline": "text", "undated": "text", "evidence": "text", "measured": "text", "limits": "text",
        "fixes": "texts", "cautions": "texts", "culprits": "texts", "makers": "texts", "spans": "text", "mark": "text",
    },
    "devices": {
        "capture": "text", "hardware": "text", "maker": "text", "own": "bool", "names": "texts", "addresses": "texts",
        "frames": "int", "first_s": "float", "last_s": "float",
    },
    "streams": {
        "capture": "text", "source": "text", "destination": "text", "port": "int", "ssrc": "int",
        "payload_type": "int", "packets": "int", "expected": "int", "lost": "int", "late": "int", "duplicates": "int",
        "clock_hz": "int", "packet_time_s": "float", "media_bytes": "int", "longest_wait_s": "float",
        "delay_spread_s": "float", "first_s": "float", "last_s": "float",
    },
    "flows": {
        "capture": "text", "what": "text", "source": "text", "destination": "text", "source_ip": "text",
        "destination_ip": "text", "source_port": "int", "destination_port": "int", "ethertype": "int", "vlan": "int",
        "protocol": "int", "dscp": "int", "pcp": "int", "is_stream": "bool", "frames": "int", "bytes": "int",
        "first_s": "float", "last_s": "float",
    },
    # Where a capture was found; `stamp` tells whether that file has changed since.
    "places": {"capture": "text", "place": "text", "bytes": "int", "stamp": "text", "seen_ns": "int"},
    # What people wrote to a case.
    "notes": {"capture": "text", "at_ns": "int", "who": "text", "text": "text"},
}  # fmt: skip
# Rows of these are of one judging, and go when it is superseded by another. The others are kept for ever.
OF_A_JUDGING = ("captures", "findings", "devices", "streams", "flows")
SQL = {
    "text": "VARCHAR", "texts": "VARCHAR[]", "int": "BIGINT", "float": "DOUBLE", "bool": "BOOLEAN", "moment": "TIMESTAMP",
}  # fmt: skip
