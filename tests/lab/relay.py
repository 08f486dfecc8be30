"""A slow cable, as old bridges, powerline and radio links are: what comes in at one adapter of a namespace
goes out at the other, some milliseconds later and at no more than a rate. What does not fit is lost. It ends
by itself.

This kernel has no netem. Frames are held for `delay_s` and `BACKLOG_S` at most, so that a loop through it
stays small.
"""

import contextlib
import heapq
import select
import socket
import sys
import time

PACKET_OUTGOING = 4
SOL_PACKET, ADD_MEMBERSHIP, PROMISC = 263, 1, 1
BACKLOG_S = 0.03
FRAME_OVERHEAD = 24  # preamble, check sequence, gap


def main(near: str, far: str, seconds: float, mbps: float, delay_s: float) -> None:
    ends = [_open(near), _open(far)]
    free_at = [0.0, 0.0]
    waiting: list[tuple[float, int, int, bytes]] = []
    number = 0
    over = time.monotonic() + seconds
    print("ready", flush=True)
    while (now := time.monotonic()) < over:
        due = min([over, *(at for at, *_ in waiting[:1])])
        for end in select.select(ends, [], [], max(due - now, 0))[0]:
            data, about = end.recvfrom(65535)
            out = 1 - ends.index(end)
            begins = max(time.monotonic(), free_at[out])
            if about[2] == PACKET_OUTGOING or begins - now > BACKLOG_S:
                continue
            free_at[out] = begins + (len(data) + FRAME_OVERHEAD) * 8 / (mbps * 1e6)
            heapq.heappush(waiting, (free_at[out] + delay_s, number, out, data))
            number += 1
        while waiting and waiting[0][0] <= time.monotonic():
            _, _, out, data = heapq.heappop(waiting)
            with contextlib.suppress(OSError):  # a full adapter loses the frame
                ends[out].send(data)


def _open(dev: str) -> socket.socket:
    end = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, socket.htons(3))
    end.bind((dev, 3))
    index = socket.if_nametoindex(dev).to_bytes(4, sys.byteorder)
    end.setsockopt(SOL_PACKET, ADD_MEMBERSHIP, index + PROMISC.to_bytes(2, sys.byteorder) + bytes(10))
    return end


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], *map(float, sys.argv[3:6]))
