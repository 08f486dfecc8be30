"""Nothing leaves the machine: the cluster's sockets are the only ones, they are on the loopback, and let
nobody else in."""

import os
import socket
import subprocess
import sys
import textwrap
from pathlib import Path

import psutil
import pytest

from preflight.archive.cluster import cluster
from tests.archive.made import CAPTURES

LOOP = str(CAPTURES / "loop.pcap.gz")


def sockets() -> list:
    """All of this process and of those that it started, but for files and pipes."""
    me = psutil.Process()
    return [each for one in (me, *me.children(recursive=True)) for each in one.net_connections(kind="inet")]


def test_all_sockets_are_on_the_loopback_and_have_no_dashboard():
    before = {each.laddr for each in sockets()}
    with cluster(None, 2) as client:
        client.run(os.getpid)
        opened = [each for each in sockets() if each.laddr not in before]
        listening = [each for each in opened if each.status == psutil.CONN_LISTEN]
        assert listening and {each.laddr.ip for each in opened} == {"127.0.0.1"}
        assert all(each.type == socket.SOCK_STREAM for each in opened)
        for each in listening:
            assert not _answers_a_browser(each.laddr.port)
    assert {each.laddr for each in sockets() if each.status == psutil.CONN_LISTEN} <= before


def _answers_a_browser(port: int) -> bool:
    for path in ("/status", "/info/main/workers.html", "/metrics", "/health", "/json/counts.json"):
        with socket.create_connection(("127.0.0.1", port), timeout=5) as browser:
            browser.settimeout(5)
            browser.sendall(f"GET {path} HTTP/1.0\r\n\r\n".encode())
            try:
                head = browser.recv(100)
            except OSError:
                head = b""
        if head.startswith(b"HTTP") and b" 404 " not in head.splitlines()[0]:
            return True
    return False


STRANGER = """
import os, sys
from distributed import Client
try:
    Client(sys.argv[1], timeout=2)
    said = "in"
except (OSError, TypeError, ValueError):
    said = "refused"
print(said, flush=True)
os._exit(0)
"""


def test_nobody_else_on_this_computer_gets_in():
    """A process of its own, as somebody else's is. Here, what is left of a client that was refused may be
    cleared away by the garbage collector while the next one starts, and each then waits for the other."""
    with cluster(None, 1) as ours:
        address = ours.scheduler.address
        assert address.startswith("tls://127.0.0.1:")
        for theirs in (address, address.replace("tls", "tcp")):
            command = [sys.executable, "-c", STRANGER, theirs]
            done = subprocess.run(command, capture_output=True, text=True, timeout=120)
            assert done.stdout == "refused\n", done
        assert ours.run(os.getpid)


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="network namespaces are Linux's")
def test_no_frame_leaves_the_adapter_while_captures_are_added_and_asked_for(tmp_path: Path) -> None:
    """In a network of its own with an adapter that leads somewhere: default route, name server, and a count
    of what it sends."""
    if os.geteuid() != 0:
        if os.environ.get("CI"):
            raise PermissionError("needs root")
        pytest.skip("needs root")
    script = textwrap.dedent(
        f"""
        set -eu
        mount -t sysfs none /sys
        ip link set lo up
        ip link add audio type veth peer name far
        for name in audio far; do echo 1 > /proc/sys/net/ipv6/conf/$name/disable_ipv6; done
        ip link set far up
        ip address add 192.0.2.10/24 dev audio
        ip link set audio up
        ip route add default via 192.0.2.1
        ip neigh add 192.0.2.1 lladdr 00:00:5e:00:53:01 dev audio
        sent() {{ cat /sys/class/net/audio/statistics/tx_packets; }}
        before=$(sent)
        for what in "add {LOOP}" "find --check loop" "like {LOOP}" "note loop.pcap.gz words" "page {tmp_path}/page.html"; do
            {sys.executable} -m preflight archive $what --archive {tmp_path}/archive >/dev/null
        done
        echo "sent $(($(sent) - before))"
        # The count is one that counts: what is sent to a name server shows.
        {sys.executable} -c "import socket; socket.socket(socket.AF_INET, socket.SOCK_DGRAM).sendto(b'x', ('192.0.2.1', 53))"
        echo "then $(($(sent) - before))"
        """
    )
    done = subprocess.run(
        ["unshare", "--net", "--mount", "bash", "-c", script], capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.split() == ["sent", "0", "then", "1"]
    assert (tmp_path / "page.html").stat().st_size > 1000
