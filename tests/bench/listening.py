"""What a standing watch takes of a processor at a rate of frames, in a rig of network namespaces."""

import os
import shutil
import signal
import subprocess
import sys
import time

RATE = 340_000


def share(count: int) -> str:
    """Of one core, while `count` small frames come at RATE; or why it was not measured."""
    if sys.platform != "linux" or os.geteuid() != 0 or not shutil.which("tcpreplay"):
        return "not measured: it needs Linux, root and tcpreplay"
    from tests.lab import flood, live
    from tests.lab.rig import Rig, mac, wait_until

    with Rig() as rig:
        file = flood.cabled(rig, mac(0xF9))  # broadcasts would be an alarm, and recorded
        watching = rig.start(
            flood.TO, *live.PREFLIGHT, "watch", "--adapter", "wire", "--keep", str(rig.scratch / "kept"),
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        wait_until(
            lambda: len(rig.run(flood.TO, "cat", "/proc/net/packet").splitlines()) > 1, 60, "no packet socket"
        )
        time.sleep(3)
        sending = rig.start(
            flood.FROM, "tcpreplay", "--preload-pcap", "--loop", str(count // flood.IN_FILE), "--pps", str(RATE),
            "-i", "wire", str(file), stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        time.sleep(1)
        began, cpu = time.monotonic(), flood.cpu_s(watching.pid)
        out, _ = sending.communicate(timeout=120)
        part = (flood.cpu_s(watching.pid) - cpu) / (time.monotonic() - began)
        watching.send_signal(signal.SIGINT)
        watching.wait(60)
    thousands = flood.number(r"([\d.]+) pps", out) / 1000
    return f"{100 * part:.1f} % of a core at {thousands:.0f} thousand frames/s"
