"""The rig sheet: what is right is read, what is wrong is told with line, key and the nearest right word."""

import json
import math
import time
from dataclasses import asdict

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from preflight.rig.read import SheetError, load, parse
from preflight.rig.sheet import Clock, Device, Sheet, Stream, hardware_text
from preflight.rig.template import TEMPLATE

LIMITS = {"link-load": ["fail_share"], "device-count": ["box", "engine", "spare engine"]}
SYSTEM = {"device-count": {"box": 16, "engine": 4, "spare engine": 4}}


def wrong(text: str) -> list[str]:
    with pytest.raises(SheetError) as caught:
        parse(text, LIMITS)
    return list(caught.value.problems)


def changed(old: str, new: str) -> str:
    assert old in TEMPLATE
    return TEMPLATE.replace(old, new, 1)


def test_the_template_is_a_sheet():
    sheet = parse(TEMPLATE, LIMITS)
    assert [device.kind for device in sheet.device] == ["desk", "spare", "engine", "spare", "box", "box"]
    assert sheet.named("engine B").spare_for == "engine A"
    assert sheet.place("foh 12") == ("foh", 12) and sheet.place("desk") == ("desk", None)
    assert sheet.clock_master().hardware == "00:00:5e:00:53:14"
    assert sheet.limits == SYSTEM


def test_its_remarks_are_keys_too():
    lines = [
        line[2:] if line.startswith(("# [", "# fail", "# dom", "# span")) else line
        for line in TEMPLATE.split("\n")
    ]
    sheet = parse("\n".join(lines), LIMITS)
    assert sheet.limits == SYSTEM | {"link-load": {"fail_share": 0.6}}
    assert sheet.clock.domain == 0 and sheet.switch[1].spanning_tree


@pytest.mark.parametrize(
    ("text", "line", "says"),
    [
        (changed('kind = "desk"', 'kind = "dsk"'), 'kind = "dsk"', "Did you mean desk?"),
        (changed("ports = 12", "prots = 12"), "prots = 12", "no such key. Did you mean ports?"),
        (changed('hardware = "00:00:5e:00:53:0a"', 'hardware = "0a"'), '= "0a"', "00:00:5e:00:53:0a"),
        (changed("length_m = 85", "length_m = true"), "= true", "must be a number"),
        (changed("channels = 8", 'channels = "8"'), '= "8"', "must be a whole number"),
        (changed('"192.0.2.10"', '"192.0.2.300"'), "300", "IP address"),
        (changed('port = "foh 2"', 'port = "foh 1"'), 'port = "foh 1"', "in use: see device 1"),
        (changed('port = "foh 2"', 'port = "fox 2"'), "fox", "Did you mean foh 1?"),
        (changed('port = "foh 2"', 'port = "foh 13"'), "foh 13", "ports 1 to 12"),
        (changed('spare_for = "desk"\n', ""), 'name = "spare desk"', "spare_for: is missing"),
        (changed('"engine A", "engine B"]', '\n"engine A",\n"engin B"]'), "receivers", "Did you mean "
                                                                                       "engine B?"),
        (TEMPLATE + '[[device]]\nname = "desk"\nkind = "box"', 'name = "desk"', "stands twice: at device 1"),
        (changed('spare_for = "desk"', 'spare_for = "spare desk"'), "spare_for", "cannot stand in for "
                                                                                 "itself"),
        (changed('spare_for = "desk"', 'spare_for = "engine B"'), "spare_for", "“engine B” is a spare "
                                                                               "itself"),
        (changed('"192.0.2.31"', '"198.51.100.31"'), '"198.51.100.31"', "lies in the control network"),
        (changed("233.252.0.2", "192.0.2.9"), '"192.0.2.9"', "multicast"),
        (changed("delay_ms = 1.0", "delay_ms = nan"), "= nan", "finite"),
        (changed("delay_ms = 1.0", "delay_ms = 0"), "delay_ms = 0", "more than 0"),
        (TEMPLATE + "[limits.link-laod]\nfail_share = 1", "link-laod", "Did you mean link-load?"),
        (TEMPLATE + "[limits.link-load]\nfail_shar = 1", "fail_shar ", "Did you mean fail_share?"),
        (changed('hardware = "00:00:5e:00:53:0a"', 'mac = "0a"'), "mac = ", "Did you mean hardware?"),
        (changed('"00:00:5e:00:53:0a"', '"01:00:5e:00:53:0a"'), '"01:00:5e', "no device's address"),
        (changed("length_m = 85", 'length_m = "85 m"'), "85 m", "without quotes and unit"),
        (changed("sample_rate_hz = 48000", "sample_rate_hz = 48"), "= 48", "48: must be at least 8000"),
        (changed('port = "foh 1"', 'port = "foh"'), 'port = "foh"', "Did you mean foh 1?"),
        (changed('master = "engine A"', 'master = "engin a"'), "engin a", "Did you mean engine A?"),
        (TEMPLATE + "[limits.link-load]\nfail_share = -1", "fail_share = -1", "0 or more"),
        (changed('length_m = 85', 'lag = "run"'), "lag = ", "has this cable only"),
        (changed('receivers = ["box left", "box right"]', 'receivers = ["box left", "box left"]'), '"box left", "box left"', "names “box left” twice"),
        (changed('b = "stage 12"', 'b = "foh 11"'), '"foh 11"', "makes a loop"),
    ],
)  # fmt: skip
def test_a_mistake_is_told_with_its_line(text, line, says):
    [problem] = wrong(text)
    assert says in problem
    told = int(problem.removeprefix("line ").partition(":")[0])
    lines = text.split("\n")
    # A key that is missing or clashes may be told at its table's head, a line or so above.
    assert any(line in each for each in lines[told - 1 : told + 6]), problem


@pytest.mark.parametrize(
    ("second", "says"),
    [
        ('a = "foh 11"\nb = "desk"', "only cables between two switches"),
        ('a = "foh 11"\nb = "roof 1"', "joins other switches at cable 1"),
        ('a = "foh 11"\nb = "stage 11"\nspeed_mbps = 10000', "another speed at cable 1"),
        ('a = "foh 11"\nb = "pit 1"', "“pit” has no settings (managed = false): two cables to it are a loop"),
    ],
)
def test_cables_that_cannot_act_as_one(second, says):
    text = changed("length_m = 85", 'lag = "run"').replace('port = "foh 1"\n', "")
    text += '[[switch]]\nname = "pit"\nports = 4\nmanaged = false\n'
    text += f'[[switch]]\nname = "roof"\nports = 4\n[[cable]]\nlag = "run"\n{second}\n'
    [problem] = wrong(text)
    assert "cable 2, lag" in problem and says in problem


def test_a_line_is_exact_where_the_key_is_there():
    for text, line in [
        (changed("ports = 12", "\n\nprots = 12"), "prots = 12"),
        (changed('"engine A", "engine B"]', '\n"engine A",\n"engin B"]'), "receivers = "),
        (changed('name = "foh" ', 'name = """\n\nfoh""" '), 'name = """'),
    ]:
        told = int(wrong(text)[0].removeprefix("line ").partition(":")[0])
        assert text.split("\n")[told - 1].startswith(line)


def test_all_mistakes_are_told_in_order():
    text = changed('kind = "desk"', 'kind = "dsk"').replace("length_m = 85", "lenght_m = 85")
    first, second = wrong(text)
    assert "device 1, kind" in first and "cable 1, lenght_m" in second


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("name = desk", "line 1, column 8"),
        ("name = 'a'\nname = 'b'", "line 2: name: this key stands twice"),
        ("[network]\ndelay_ms = 1\n[network]", "line 3, column 9: [network] stands twice"),
        ("[device]\nname = 'a'\n[[device]]", "[[device]] was begun otherwise above"),
        ("name = “desk”", "Use straight quotes"),
        ("[network]\ndelay_ms = 1,5", "has a point: 1.5"),
        ('{"name": "x"}', "A line is: key = value"),
        ("a = " + "[" * 5000, "without end"),
        ("name = 'x'\n" + ".".join("a" * 5000) + " = 1", "without end"),
        ("a = " + "1" * 5000, "not TOML"),
        ('name = "\\u001b[2J"', "printable"),
        ("device = [1]\nname = 'x'", "device 1: must be a table"),
        ("device = 3\nname = 'x'", "device: must be tables: begin each with [[device]]"),
        ("", "name: is missing"),
    ],
)
def test_what_is_no_sheet(text, says):
    problems = wrong(text)
    assert says in problems[0] and all("\x1b" not in each for each in problems)


@pytest.mark.parametrize(
    "data", [b"\xff\xfe", b"name = '" + b"x" * 200_000, b"\0" * 100], ids=["no text", "huge", "zeros"]
)
def test_files_that_are_no_sheet(tmp_path, data):
    (tmp_path / "s.toml").write_bytes(data)
    with pytest.raises(SheetError):
        load(str(tmp_path / "s.toml"))
    with pytest.raises(SheetError):
        load(str(tmp_path))


def test_windows_files_with_a_mark_at_the_start_are_read(tmp_path):
    (tmp_path / "s.toml").write_bytes(b"\xef\xbb\xbf" + TEMPLATE.replace("\n", "\r\n").encode())
    assert load(str(tmp_path / "s.toml")) == parse(TEMPLATE)


def test_a_thousand_mistakes_do_not_take_long():
    text = "name = 'x'\n" + "[[device]]\nname = 'd'\nkin = 'x'\nnote = '''\n" * 1 + "x\n" * 30_000 + "'''\n"
    start = time.process_time()
    assert wrong(text)
    assert time.process_time() - start < 5


@settings(max_examples=150, deadline=None)
@given(st.text(st.characters(codec="utf-8"), max_size=300) | st.text("[]{}=.,'\"#\n ab1_-", max_size=120))
def test_any_text_is_a_sheet_or_a_sheet_error(text):
    try:
        parse(text, LIMITS)
    except SheetError as error:
        assert error.problems and all(each.isprintable() for each in error.problems)


values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text("abname_", max_size=6), inner, max_size=3)
    ),
    max_leaves=6,
).filter(lambda value: value is not None)


@settings(max_examples=150, deadline=None)
@given(
    st.sampled_from(["device", "switch", "cable", "stream", "network", "clock", "dhcp", "limits", "name"]),
    values,
)
def test_any_value_anywhere_is_judged_without_a_crash(key, value):
    try:
        parse(f"name = 'x'\n{key}2 = 1\n" if value is None else f"{key} = {_toml(value)}", LIMITS)
    except SheetError as error:
        assert error.problems


def _toml(value) -> str:
    if isinstance(value, dict):
        return (
            "{"
            + ", ".join(
                f"{json.dumps(k, ensure_ascii=False)} = {_toml(v)}" for k, v in value.items() if v is not None
            )
            + "}"
        )
    if isinstance(value, list):
        return "[" + ", ".join(_toml(v) for v in value if v is not None) + "]"
    if isinstance(value, float) and not math.isfinite(value):
        return str(value)
    return json.dumps("" if value is None else value, ensure_ascii=False)


@given(st.binary(min_size=6, max_size=6), st.sampled_from([":", "-", "", "."]), st.booleans())
def test_every_way_to_write_a_hardware_address(raw, between, upper):
    groups = [raw[i : i + 2].hex() for i in (0, 2, 4)] if between == "." else [f"{each:02x}" for each in raw]
    text = between.join(groups)
    assert hardware_text(text.upper() if upper else text) == ":".join(f"{each:02x}" for each in raw)


names = st.text(
    st.characters(codec="utf-8", categories=("L", "N", "P", "S")), min_size=1, max_size=20
).filter(lambda name: name == name.strip() and name.isprintable())


def written(sheet) -> str:
    """A sheet as TOML, the plain way: a table for each list's entry and each inner table, nothing for what is
    None."""
    data = {k: v for k, v in asdict(sheet).items() if v not in (None, (), {})}
    lines = [f"{key} = {_toml(value)}" for key, value in data.items() if not isinstance(value, tuple | dict)]
    for key, value in data.items():
        for table in value if isinstance(value, tuple) else [value] if isinstance(value, dict) else []:
            lines.append(f"[[{key}]]" if isinstance(value, tuple) else f"[{key}]")
            lines += [
                f"{k} = {_toml(list(v) if isinstance(v, tuple) else v)}"
                for k, v in table.items()
                if v is not None
            ]
    return "\n".join(lines)


@st.composite
def sheets(draw):
    told = draw(st.lists(names, min_size=1, max_size=6, unique=True))
    maybe = lambda kind: st.none() | kind  # noqa: E731
    macs = draw(st.lists(st.integers(0, 255), min_size=len(told), max_size=len(told), unique=True))
    devices = tuple(
        Device(
            name,
            draw(st.sampled_from(["desk", "engine", "box"])),
            hardware=draw(maybe(st.just(f"00:00:5e:00:53:{number:02x}"))),
            address=draw(maybe(st.just(f"192.0.2.{number}"))),
            poe_class=draw(maybe(st.integers(0, 8))),
            speaks_every_s=draw(maybe(st.floats(0.001, 3600))),
        )
        for name, number in zip(told, macs, strict=True)
    )
    streams = tuple(
        Stream(
            f"to {name}",
            told[0],
            (name,),
            draw(st.integers(1, 512)),
            bits=draw(st.sampled_from([16, 24, 32])),
        )
        for name in told[1:]
    )
    return Sheet(draw(names), device=devices, stream=streams, clock=Clock(draw(maybe(st.sampled_from(told)))))


@settings(max_examples=80, deadline=None)
@given(sheets())
def test_what_is_written_is_read_again(sheet):
    assert parse(written(sheet), LIMITS) == sheet
