"""The package has no way to send: a lint over its source, by `ast`.

Forbidden are modules that talk by themselves, names of calls that send, connect, resolve, serve or start
another program, and socket options that join a group. A name is forbidden wherever it is called or taken from
an object, whatever the object is, so that an alias hides nothing. `ALLOWED` names each exception, and why.
The proof by behaviour is tests/lab/test_silence.py.
"""

import ast
import re
import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parents[1] / "preflight"

MODULES = {
    "asyncio", "ctypes", "ftplib", "http", "imaplib", "multiprocessing", "nntplib", "poplib", "requests", "smtplib",
    "socketserver", "ssl", "subprocess", "telnetlib", "urllib", "webbrowser", "wsgiref", "xmlrpc", "aiohttp", "httpx",
    "urllib3", "websockets", "paramiko", "dns", "pcap", "pcapy", "fcntl",
    "dask", "distributed", "fsspec", "s3fs", "botocore", "boto3",
    "scapy.all", "scapy.sendrecv", "scapy.supersocket", "scapy.arch", "scapy.automaton", "scapy.pipetool",
}  # fmt: skip
CALLS = {
    "send", "sendto", "sendmsg", "sendmsg_afalg", "sendall", "sendfile", "send_fds", "sendp", "sendpfast",
    "sr", "sr1", "srp", "srp1", "srflood", "srloop", "sniff", "connect", "connect_ex", "create_connection",
    "create_server", "listen", "accept", "bind", "open_connection", "start_server", "socketpair", "fromfd",
    "getaddrinfo", "gethostbyname", "gethostbyname_ex", "gethostbyaddr", "getnameinfo", "getfqdn",
    "register_service", "async_register_service", "get_service_info", "add_membership", "join_group",
    "system", "popen", "spawn", "posix_spawn", "execv", "execve", "execvp", "execl", "fork", "CDLL", "PyDLL", "LoadLibrary",
    "load_library_permanently", "ioctl",
    "eval", "exec", "__import__",
}  # fmt: skip
NAMES = {
    "Zeroconf", "AsyncZeroconf", "ServiceBrowser", "AsyncServiceBrowser", "ServiceInfo", "DatagramTransport",
    "L2Socket", "L3RawSocket", "conf.L2socket", "conf.L3socket", "AsyncSniffer",
    "IP_ADD_MEMBERSHIP", "IP_ADD_SOURCE_MEMBERSHIP", "IPV6_JOIN_GROUP", "IPV6_ADD_MEMBERSHIP", "MCAST_JOIN_GROUP",
    "MCAST_JOIN_SOURCE_GROUP", "PACKET_ADD_MEMBERSHIP", "PACKET_MR_MULTICAST", "PACKET_MR_ALLMULTI",
    "PACKET_TX_RING", "TCP_FASTOPEN", "AF_INET", "AF_INET6", "SOCK_DGRAM", "SOCK_STREAM",
    "create_connection", "SocketType",
}  # fmt: skip
# Calls that reach a name by its text.
BY_TEXT = {"getattr", "import_module", "attrgetter", "methodcaller", "address_of_symbol"}
# Scapy's layers only read bytes; anything else of it is not wanted.
SCAPY = ("scapy.layers", "scapy.contrib", "scapy.packet", "scapy.config", "scapy.fields")

# (file, what): how often at most, why.
ALLOWED = {
    ("host/common.py", "system"): (1, "platform.system(): the name of the operating system"),
    ("host/linux_ethtool.py", "fcntl"): (1, "for the ioctl below"),
    ("host/linux_ethtool.py", "ioctl"): (
        1, "asks the driver of an adapter: SIOCETHTOOL with commands that get, held to below; nothing is "
           "sent or set",
    ),
    ("host/linux_ethtool.py", "socket.socket"): (1, "the handle that the ioctl needs: never bound nor "
                                                    "written to"),
    ("host/linux_ethtool.py", "AF_INET"): (1, "the family of that handle"),
    ("host/linux_ethtool.py", "SOCK_DGRAM"): (1, "the type of that handle"),
    ("host/run.py", "subprocess"): (
        1, "asks the system's own commands, which the readers' tables list, held to below; starts the "
           "user's own on an alarm",
    ),
    ("frames/compile.py", "ctypes"): (1, "calls compiled kernels by their address; loading a library "
                                         "stays forbidden"),
    ("frames/privilege.py", "ctypes"): (1, "gives up capabilities by the C library that is loaded already"),
    ("frames/pcap.py", "ctypes"): (1, "the arguments of the library's calls"),
    ("frames/pcap.py", "scapy.libs.winpcapy"): (1, "libpcap's calls, of which only those named below are "
                                                   "taken"),
    **{
        ("frames/pcap.py", f"scapy.libs.winpcapy.pcap_{name}"): (1, "opens, reads, counts or closes: none "
                                                                    "sends")
        for name in (
            "create", "set_snaplen", "set_promisc", "set_timeout", "set_buffer_size", "activate", "datalink", "geterr",
            "next_ex", "stats", "close", "pkthdr", "stat", "setnonblock",
        )
    },
    ("frames/compile.py", "exec"): (1, "writes a kernel's entry from the kernel's own argument list"),
    ("inbox/pool.py", "multiprocessing.get_context"): (1, "for the line below"),
    ("inbox/pool.py", "multiprocessing"): (1, "starts this program again to judge captures on all cores, "
                                              "by pipes"),
    # The archive works on files that were captured long ago. Its cluster listens on the loopback alone,
    # unless the user names another; its places are files, unless the user names another:
    # tests/archive/test_silence.py proves it by behaviour.
    ("archive/library.py", "connect"): (1, "opens DuckDB in memory, which may fetch no extension"),
    **{
        ("archive/cluster.py", module): (1, "the cluster that captures are judged on")
        for module in (
            "dask.config", "distributed", "distributed.CancelledError", "distributed.Client", "distributed.Future", "distributed.LocalCluster",
            "distributed.wait", "distributed.scheduler", "distributed.scheduler.KilledWorker", "distributed.security",
            "distributed.security.Security",
        )
    },
    **{
        ("archive/place.py", module): (1, "files and folders, or the object storage that the user names")
        for module in (
            "fsspec.core", "fsspec.core.url_to_fs", "fsspec.implementations.local",
            "fsspec.implementations.local.LocalFileSystem",
        )
    },
    ("live/log.py", "connect"): (1, "opens the SQLite log, a file"),
    ("frames/live.py", "socket.socket"): (1, "the packet socket that listens; its family is AF_PACKET"),
    ("frames/live.py", "bind"): (1, "a packet socket is bound to an adapter, not to an address: nothing "
                                    "is sent"),
    ("frames/live.py", "PACKET_ADD_MEMBERSHIP"): (
        2, "its definition and its one use, for PACKET_MR_PROMISC: the adapter takes every frame, no group "
           "is joined",
    ),
}  # fmt: skip


def offences(source: str) -> Iterator[tuple[str, int]]:
    """What is forbidden in a module's source, and in which line."""
    for node in ast.walk(ast.parse(source)):
        line = getattr(node, "lineno", 0)
        if isinstance(node, ast.Import):
            for each in node.names:
                if _is_forbidden_module(each.name):
                    yield each.name, line
        elif isinstance(node, ast.ImportFrom):
            module = node.module or ""
            if _is_forbidden_module(module):
                yield module, line
            for each in node.names:
                if each.name in CALLS | NAMES or (module == "socket" and each.name in ("socket", "*")):
                    yield each.name, line
                elif _is_forbidden_module(f"{module}.{each.name}"):
                    yield f"{module}.{each.name}", line
        elif isinstance(node, ast.Attribute):
            if node.attr in CALLS | NAMES:
                yield node.attr, line
            elif node.attr == "socket" and isinstance(node.value, ast.Name):
                yield "socket.socket", line
        elif isinstance(node, ast.Name) and node.id in NAMES:
            yield node.id, line
        elif isinstance(node, ast.Call):
            called = node.func.id if isinstance(node.func, ast.Name) else getattr(node.func, "attr", "")
            if isinstance(node.func, ast.Name) and called in CALLS:
                yield called, line
            if called in BY_TEXT:
                for each in ast.walk(node):
                    text = each.value if isinstance(each, ast.Constant) else None
                    if isinstance(text, str) and (text in CALLS | NAMES or _is_forbidden_module(text)):
                        yield text, line


def _is_forbidden_module(name: str) -> bool:
    parts = name.split(".")
    if any(".".join(parts[: end + 1]) in MODULES for end in range(len(parts))):
        return True
    return parts[0] == "scapy" and len(parts) > 1 and not name.startswith(SCAPY)


def test_the_package_cannot_send() -> None:
    found = Counter(
        (str(path.relative_to(PACKAGE)), what)
        for path in sorted(PACKAGE.rglob("*.py"))
        for what, _ in offences(path.read_text("utf-8"))
    )
    assert not found - Counter({key: times for key, (times, _) in ALLOWED.items()})


def test_the_one_socket_is_a_packet_socket_and_the_one_membership_promiscuous() -> None:
    tree = ast.parse((PACKAGE / "frames/live.py").read_text("utf-8"))
    calls = [node for node in ast.walk(tree) if isinstance(node, ast.Call)]
    [made] = [node for node in calls if ast.unparse(node.func) == "socket.socket"]
    # Protocol 0: until it is bound, it receives nothing.
    assert [ast.unparse(each) for each in made.args] == ["socket.AF_PACKET", "socket.SOCK_RAW", "0"]
    [member] = [
        ast.unparse(node)
        for node in ast.walk(tree)
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "membership"
    ]
    assert "PACKET_MR_PROMISC" in member


def test_the_drivers_of_adapters_are_asked_only_what_they_are() -> None:
    from preflight.host import linux_ethtool

    asked: list[int] = []

    def note(_: str, request: bytes) -> bytes | None:
        asked.append(int.from_bytes(request[:4], sys.byteorder))
        return request[:18] + b"\xff" + request[19:]

    linux_ethtool.link("eth0", note)
    linux_ethtool.pause("eth0", note, 0, None)
    linux_ethtool.eee("eth0", note, True)
    linux_ethtool.permanent_address("eth0", note)
    # ETHTOOL_GLINKSETTINGS, GPAUSEPARAM, GEEE and GPERMADDR: linux/ethtool.h.
    assert set(asked) == {0x4C, 0x12, 0x44, 0x20}


def test_the_commands_that_are_started_only_tell() -> None:
    from preflight.host import macos, windows_script

    programs = {
        "/sbin/ifconfig": ("-a", "-m"),
        "/usr/sbin/networksetup": ("-listallhardwareports",),
        "/usr/sbin/system_profiler": ("-json", "SPEthernetDataType", "SPUSBDataType", "SPUSBHostDataType"),
        "/usr/bin/pmset": ("-g", "batt"),
        # Without an equals sign sysctl sets nothing.
        "/usr/sbin/sysctl": ("net.inet.ip.forwarding", "net.inet6.ip6.forwarding"),
    }
    for program, *arguments in macos.COMMANDS.values():
        assert set(arguments) <= set(programs[program])
    _, *options, script = windows_script.commands()["powershell"]
    assert options == ["-NoLogo", "-NoProfile", "-NonInteractive", "-Command"]
    # All cmdlets of the script, by the form Verb-Noun that they have; and powercfg, which only asks.
    verbs = set(re.findall(r"(?<![\w-])([A-Z][A-Za-z]+)-[A-Z]\w+", script))
    assert verbs == {"Get", "Select", "Where", "ForEach", "ConvertTo", "New"}
    assert re.findall(r"New-\w+ [^;]*", script) == ["New-Object -ComObject HNetCfg.HNetShare"]
    assert set(re.findall(r"powercfg (\S+)", script)) == {"/getactivescheme", "/query"}
    assert '"' not in script
    users = {
        str(path.relative_to(PACKAGE))
        for path in PACKAGE.rglob("*.py")
        if "host.run" in path.read_text("utf-8")
    }
    # glance asks one of macOS's commands above again; the alert starts the command that its user gave, and
    # asks none.
    assert users <= {
        "cli/alert.py",
        "host/__init__.py",
        "host/glance.py",
        "host/macos.py",
        "host/windows_script.py",
    }
    assert "host.run import begin\n" in (PACKAGE / "cli/alert.py").read_text("utf-8")


@pytest.mark.parametrize(
    "planted",
    [
        "sock.send(frame)",
        "sock.sendto(b'', ('192.0.2.1', 9))",
        "sock.sendmsg([b''])",
        "out = sock.sendall",
        "getattr(sock, 'send')(frame)",
        "from scapy.all import Ether",
        "from scapy import sendrecv",
        "import scapy.sendrecv as quiet",
        "from scapy.sendrecv import sendp as look",
        "answer = layer.sr1(query)",
        "sock.connect(('192.0.2.1', 80))",
        "sock.bind(('', 5353))",
        "import socket\nsock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)",
        "from socket import socket",
        "from socket import *",
        "sock.setsockopt(0, socket.IP_ADD_MEMBERSHIP, group)",
        "from socket import IPV6_JOIN_GROUP",
        "socket.getaddrinfo('desk', 0)",
        "from socket import gethostbyname as name_of",
        "socket.gethostbyaddr('192.0.2.1')",
        "from zeroconf import Zeroconf",
        "import zeroconf\nzeroconf.Zeroconf()",
        "import http.server",
        "from http import server",
        "import urllib.request",
        "from urllib import request",
        "import requests",
        "import subprocess",
        "import os\nos.system('ping 192.0.2.1')",
        "import os\nos.popen('ip link')",
        "from os import system",
        "import asyncio",
        "import operator\noperator.methodcaller('sendto')",
        "ctypes.CDLL(None)",
        "llvm.address_of_symbol('sendto')",
        "import ctypes",
        "import fcntl",
        "import importlib\nimportlib.import_module('subprocess')",
        "__import__('socket')",
        "eval(text)",
        "import s3fs",
        "from distributed import Client",
        "import fsspec",
    ],
)
def test_a_planted_offender_is_caught(planted: str) -> None:
    assert list(offences(planted))


@pytest.mark.parametrize(
    "harmless",
    [
        "import socket\nsocket.if_nametoindex('eth0')",
        "from zeroconf import DNSIncoming",
        "from scapy.layers.dhcp import DHCP",
        "def sender(sent):\n    return sent.sends",
        "why = 'A device that sends without end.'",
        "import re\nre.compile('x')",
    ],
)
def test_reading_is_no_offence(harmless: str) -> None:
    assert not list(offences(harmless))
