"""A bad wire between two adapters of one namespace: it loses, delays and doubles frames by a seed, and tells
what it did.

This kernel has no netem. Frames that come in at one adapter go out at the other, in both directions; only
those with an RTP header, from `near` to `far`, are harmed. At the end one line of JSON holds the numbers lost
and doubled, and all in the order in which they went out.
"""

import heapq
import json
import random
import select
import socket
import sys
import time

PACKET_OUTGOING = 4
RTP = 14 + 20 + 8
HELD_S = 0.02


def main(near: str, far: str, seconds: float, seed: int) -> None:
    chance = random.Random(seed)
    ends = []
    for dev in (near, far):
        end = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, socket.htons(3))
        end.bind((dev, 3))
        ends.append(end)
    waiting: list[tuple[float, int, bytes]] = []
    lost: list[int] = []
    doubled: list[int] = []
    out: list[int] = []
    ends_at = time.monotonic() + seconds
    print("ready", flush=True)
    while (now := time.monotonic()) < ends_at:
        due = min([ends_at, *(at for at, _, _ in waiting[:1])])
        for end in select.select(ends, [], [], max(due - now, 0))[0]:
            data, about = end.recvfrom(65535)
            if about[2] == PACKET_OUTGOING:
                continue
            if end is ends[1] or len(data) < RTP + 12 or data[12:14] != b"\x08\x00" or data[RTP] >> 6 != 2:
                ends[1 - ends.index(end)].send(data)
                continue
            number = int.from_bytes(data[RTP + 2 : RTP + 4], "big")
            fate = chance.random()
            if fate < 0.02:
                lost.append(number)
            elif fate < 0.04:
                heapq.heappush(waiting, (time.monotonic() + HELD_S, number, data))
            else:
                for _ in range(2 if fate < 0.05 else 1):
                    ends[1].send(data)
                    out.append(number)
                if fate < 0.05:
                    doubled.append(number)
        while waiting and waiting[0][0] <= time.monotonic():
            _, number, data = heapq.heappop(waiting)
            ends[1].send(data)
            out.append(number)
    print(json.dumps({"lost": lost, "doubled": doubled, "out": out}), flush=True)


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], float(sys.argv[3]), int(sys.argv[4]))
