"""A capture whose every device gives itself a hostile name, through the command line: terminal, JSON, page,
evidence."""

import json
import unicodedata
from pathlib import Path

import pytest
from click.testing import CliRunner
from scapy.contrib.lldp import (
    LLDPDUChassisID,
    LLDPDUEndOfLLDPDU,
    LLDPDUPortID,
    LLDPDUSystemDescription,
    LLDPDUSystemName,
    LLDPDUTimeToLive,
)
from scapy.layers.dhcp import BOOTP, DHCP
from scapy.layers.dns import DNS, DNSRR
from scapy.layers.inet import IP, UDP
from scapy.layers.l2 import Ether
from scapy.utils import wrpcap

from preflight.cli import main
from tests.report.pages import Opened

NAME = b"<img src=x onerror=alert(1)>\x1b[2J\x1b]0;x\x07[bold]x[/] \xe2\x80\xaegnp\xff\r\nPASS</script><script>alert(2)</script>"
CONTROL = {"Cc", "Cf", "Cs", "Zl", "Zp"}


@pytest.fixture
def capture(tmp_path: Path) -> Path:
    server, client, box = (f"00:00:5e:00:53:{n:02x}" for n in (1, 2, 3))
    everyone = "ff:ff:ff:ff:ff:ff"
    ask = BOOTP(op=1, xid=7, chaddr=bytes.fromhex("00005e005302"))
    answer = BOOTP(op=2, xid=7, yiaddr="192.0.2.9", siaddr="192.0.2.1", chaddr=bytes.fromhex("00005e005302"))
    frames = [
        Ether(src=client, dst=everyone)
        / IP(src="0.0.0.0", dst="255.255.255.255")
        / UDP(sport=68, dport=67)
        / ask
        / DHCP(options=[("message-type", "discover"), ("hostname", NAME), ("vendor_class_id", NAME), "end"]),
        Ether(src=server, dst=everyone)
        / IP(src="192.0.2.1", dst="255.255.255.255")
        / UDP(sport=67, dport=68)
        / answer
        / DHCP(
            options=[
                ("message-type", "offer"),
                ("server_id", "192.0.2.1"),
                ("router", "192.0.2.1"),
                ("domain", NAME),
                "end",
            ]
        ),
        Ether(src=box, dst="01:80:c2:00:00:0e")
        / LLDPDUChassisID(subtype=7, id=NAME)
        / LLDPDUPortID(subtype=7, id=NAME)
        / LLDPDUTimeToLive(ttl=120)
        / LLDPDUSystemName(system_name=NAME)
        / LLDPDUSystemDescription(description=NAME)
        / LLDPDUEndOfLLDPDU(),
        Ether(src=box, dst="01:00:5e:00:00:fb")
        / IP(src="192.0.2.3", dst="224.0.0.251", ttl=255)
        / UDP(sport=5353, dport=5353)
        / DNS(
            qr=1, aa=1, qd=[], an=DNSRR(rrname=NAME[:60] + b".local.", type="A", ttl=120, rdata="192.0.2.3")
        ),
    ]
    for n, frame in enumerate(frames):
        frame.time = 1_700_000_000 + n
    file = tmp_path / "<i>bold<img src=x>.pcap"
    wrpcap(str(file), frames)
    return file


def test_no_output_obeys_a_name(capture: Path, tmp_path: Path) -> None:
    page, found, evidence = tmp_path / "page.html", tmp_path / "found.json", tmp_path / "evidence"
    one = tmp_path / "one.html"
    args = ["study", str(capture), "--report", str(page), "--json", str(found), "--evidence", str(evidence)]
    args += ["--one-page", str(one)]
    done = CliRunner().invoke(main, args)
    assert done.exit_code == 1
    for text in (
        done.stdout,
        done.stderr,
        page.read_text("utf-8"),
        one.read_text("utf-8"),
        found.read_text("utf-8"),
    ):
        assert not {c for c in text if c != "\n" and unicodedata.category(c) in CONTROL}
    assert not any(line.startswith("PASS\ufffd") for line in done.stdout.splitlines())
    assert json.loads(found.read_bytes().decode("utf-8"))["verdict"] == "not ready"
    assert (evidence / "stray-dhcp.pcapng").is_file()


def test_its_page_shows_the_names_as_text(browser, capture: Path, tmp_path: Path) -> None:
    page, one = tmp_path / "page.html", tmp_path / "one.html"
    CliRunner().invoke(main, ["study", str(capture), "--report", str(page), "--one-page", str(one)])
    opened = Opened(browser, page)
    opened.page.wait_for_timeout(200)
    assert opened.did == []
    devices = opened.page.get_by_role("region", name="Table of devices").inner_text()
    assert devices.count("<img src=x onerror=aler…") >= 3  # cut as names are
    assert opened.page.locator("img, i").count() == 0
    sheet = Opened(browser, one)
    assert sheet.did == [] and sheet.page.locator("img, i, script").count() == 0
    assert "NOT READY" in sheet.page.locator("h1").inner_text()
