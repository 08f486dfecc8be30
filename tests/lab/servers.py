"""Real components in a namespace: DHCP, PTP, LLDP, mDNS. Each is ended by its process id when the rig closes.

`ip netns exec` gives each a mount namespace of its own; those that keep sockets under /run get a /run of
their own in it first, or two of a kind would collide with each other and with the machine's.
"""

import subprocess

from tests.lab.rig import Rig


def dnsmasq(
    rig: Rig,
    name: str,
    first: int = 100,
    last: int = 150,
    router: str = "",
    *,
    broadcast: bool = True,
    version: int = 4,
) -> subprocess.Popen:
    """A DHCP server that hands out 192.0.2.first to .last, by `broadcast` so that all hear it; or
    2001:db8::first to ::last over IPv6."""
    node = rig[name]
    options = [f"--dhcp-option=option:router,{router}"] if router else []
    options += ["--dhcp-broadcast"] if broadcast else []
    offers = f"192.0.2.{first},192.0.2.{last},255.255.255.0"
    if version == 6:
        offers = f"2001:db8::{first},2001:db8::{last},64"
    return rig.start(
        name, "dnsmasq", "-k", "--conf-file=/dev/null", "--no-hosts", "--no-resolv", "--port=0", "--no-ping",
        f"--interface={node.dev}", "--bind-interfaces", "--user=root", "--pid-file=",
        f"--dhcp-leasefile={rig.scratch / f'{name}.leases'}",
        f"--dhcp-range={offers},1h", *options,
    )  # fmt: skip


def dhclient(rig: Rig, name: str, version: int = 4) -> subprocess.Popen:
    """A DHCP client. It changes nothing: its script is /bin/true."""
    conf = rig.scratch / f"{name}.dhclient.conf"
    conf.write_text(
        f'initial-interval 4;\nbackoff-cutoff 8;\ntimeout 60;\nsend host-name "{name}";\n'
        "initial-delay 0;\nrequest subnet-mask, routers, domain-name-servers;\n"
    )
    files = ["-lf", str(rig.scratch / f"{name}.lease"), "-pf", str(rig.scratch / f"{name}.pid")]
    return rig.start(
        name, "dhclient", f"-{version}", "-d", "-sf", "/bin/true", "-cf", str(conf), *files, rig[name].dev
    )


def ptp4l(
    rig: Rig,
    name: str,
    *,
    slave: bool = False,
    priority: int = 128,
    domain: int = 0,
    never_yields: bool = False,
) -> subprocess.Popen:
    """A PTP clock, software stamps, that leaves the system clock alone. A master speaks after about 5 s."""
    conf = rig.scratch / f"{name}.ptp4l.conf"
    conf.write_text(
        "[global]\n"
        "time_stamping software\nfree_running 1\nnetwork_transport UDPv4\ndelay_mechanism E2E\n"
        f"slaveOnly {int(slave)}\nmasterOnly {int(never_yields)}\npriority1 {priority}\n"
        f"domainNumber {domain}\n"
        "logAnnounceInterval 0\nlogSyncInterval -2\nlogMinDelayReqInterval 0\n"
        "dscp_event 46\ndscp_general 34\n"
        f"uds_address {rig.scratch / f'{name}.ptp'}\n"
    )
    return rig.start(name, "ptp4l", "-S", "-f", str(conf), "-i", rig[name].dev)


def lldpd(rig: Rig, name: str, hostname: str, ports: str, *extra: str) -> subprocess.Popen:
    """An LLDP speaker that announces itself each second; `extra` are further lines for lldpcli."""
    conf = rig.scratch / f"{name}.lldpd.conf"
    lines = [
        "configure system description 'an invented switch'",
        "configure lldp tx-interval 1",
        *extra,
    ]
    conf.write_text("\n".join(lines) + "\n")
    return _with_own_run(
        rig, name, hostname, "mkdir /run/lldpd",
        f"lldpd -d -O {conf} -u /run/lldpd.socket -I '{ports}'",
    )  # fmt: skip


def avahi(rig: Rig, name: str) -> subprocess.Popen:
    """An mDNS responder that announces the device's name."""
    conf = rig.scratch / f"{name}.avahi.conf"
    conf.write_text(
        f"[server]\nhost-name={name}\nuse-ipv4=yes\nuse-ipv6=no\nenable-dbus=no\nallow-interfaces={rig[name].dev}\n"
        "[publish]\npublish-workstation=no\npublish-hinfo=no\n[rlimits]\n"
    )
    return _with_own_run(
        rig, name, name, "mkdir /run/avahi-daemon && mount -t tmpfs none /etc/avahi/services",
        f"avahi-daemon --no-drop-root --no-chroot --no-rlimits -f {conf}",
    )  # fmt: skip


def _with_own_run(rig: Rig, name: str, hostname: str, prepare: str, command: str) -> subprocess.Popen:
    hosts = rig.scratch / f"{name}.hosts"
    hosts.write_text(f"{rig[name].ip} {hostname}\n127.0.0.1 localhost\n", encoding="utf-8")
    mounts = f"mount --bind {hosts} /etc/hosts && mount -t tmpfs none /run"
    script = f"{mounts} && {prepare} && hostname {hostname} && exec {command}"
    return rig.start(name, "unshare", "--uts", "sh", "-c", script)
