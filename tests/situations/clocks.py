"""Sample clocks: senders that are locked to one another, that run free, that only seem to; and what of a run
tells it."""

from tests.situations import rigs
from tests.situations.table import NOT_ALARMED, READY, faulty, healthy, span

CLOCKS = ("sample-clock", "stream-health", "beat-health")


# -- in order ------------------------------------------------------------------------------------------------


for _ppm in (80, -300):

    @healthy(f"all follow one PTP clock, and the listening computer's own is {_ppm} ppm off", READY)
    def _(random, ppm=_ppm):
        s = span(random, 15.0)
        yield from (rigs.drifting(rigs.rtp(s, n, period_s=0.004), ppm) for n in (11, 12, 13, 14))
        yield rigs.drifting(rigs.ptp(s, 11), ppm)

    @healthy(f"layer-2 audio by one clock, and the listening computer's is {_ppm} ppm off", READY)
    def _(random, ppm=_ppm):
        s = span(random, 10.0)
        yield from (
            rigs.drifting(rigs.layer2(s, n, f"93:00:00:00:00:{n:02x}", 0.002, 300), ppm) for n in (11, 12, 13)
        )
        yield rigs.talk(s, 14)


@healthy("one sender alone, 200 ppm beside the listening computer's clock", READY)
def _(random):
    s = span(random, 15.0)
    yield rigs.drifting(rigs.rtp(s, 11, period_s=0.004), 200)
    yield from (rigs.talk(s, n) for n in (12, 13))


@healthy("streams whose first packets come uneven, as their senders are still busy with their start", READY)
def _(random):
    s = span(random, 12.0)
    for n in (11, 12):
        yield [
            (at * 1.085 if at < 0.1 else max(at, 0.1085 + at * 1e-5), data)  # as 44.1 kHz, then caught up
            for at, data in rigs.rtp(s, n, period_s=0.001)
        ]
    yield rigs.ptp(s, 11)


@healthy("streams of one clock, of which one begins late and one is held up", NOT_ALARMED, ("sample-clock",))
def _(random):
    s = span(random, 20.0)
    yield rigs.rtp(s, 11, period_s=0.004)
    yield rigs.rtp(span(random, 20.0, 9.0), 12, period_s=0.004)
    yield [
        (at if not 8.0 < at < 8.2 else 8.199 + (at - 8.0) / 1000, data)
        for at, data in rigs.rtp(s, 13, period_s=0.004)
    ]


@healthy("packets held up unevenly on a busy way, by one clock", NOT_ALARMED, ("sample-clock",))
def _(random):
    s = span(random, 20.0)
    for n in (11, 12):
        yield ((at + random.expovariate(1 / 0.002), data) for at, data in rigs.rtp(s, n, period_s=0.004))
    yield rigs.ptp(s, 11)


for _ms in (1, 16):

    @healthy(
        f"a capture whose clock ticks each {_ms} ms, of streams by one clock", NOT_ALARMED, ("sample-clock",)
    )
    def _(random, tick=_ms / 1000):
        s = span(random, 15.0)
        for n in (11, 12, 13):
            yield [
                (int(at / tick) * tick, data)
                for at, data in rigs.drifting(rigs.rtp(s, n, period_s=0.004), 35)
            ]


@healthy(
    "the listening computer's clock is put right while it listens, by steps and by running faster",
    NOT_ALARMED,
    ("sample-clock",),
)
def _(random):
    s = span(random, 20.0)
    for n in (11, 12, 13):
        yield [
            (at + (0.0 if at < 5.0 else 0.4) + max(min(at, 12.0) - 8.0, 0.0) * 3e-4, data)
            for at, data in rigs.rtp(s, n, period_s=0.004)
        ]


@healthy("calls between two telephones, each by a clock of its own", NOT_ALARMED, CLOCKS)
def _(random):
    s = span(random, 15.0)
    for n, ppm in ((11, 60), (12, -45)):
        yield rigs.drifting(rigs.rtp(s, n, period_s=0.02, rate=8000), ppm)


# -- wrong ---------------------------------------------------------------------------------------------------


for _ppm, _seconds in ((20, 30.0), (50, 15.0), (200, 10.0)):

    @faulty(f"a box runs at a clock of its own, {_ppm} ppm beside the others", troubles=("sample-clock",))
    def _(random, ppm=_ppm, seconds=_seconds):
        s = span(random, seconds)
        yield from (rigs.drifting(rigs.rtp(s, n, period_s=0.004), -40) for n in (11, 12, 13))
        yield rigs.drifting(rigs.rtp(s, 14, period_s=0.004), ppm - 40)
        yield rigs.ptp(s, 11)

    @faulty(f"layer-2 audio whose senders drift {_ppm} ppm against one another", troubles=("sample-clock",))
    def _(random, ppm=_ppm, seconds=_seconds):
        s = span(random, seconds)
        for n, off in ((11, 0), (12, ppm), (13, 0)):
            yield rigs.drifting(rigs.layer2(s, n, f"93:00:00:00:00:{n:02x}", 0.002, 300), off)
        yield rigs.talk(s, 14)


@faulty("UDP audio that is not RTP, from two boxes by two clocks", troubles=("sample-clock",))
def _(random):
    s = span(random, 12.0)
    for n, off in ((11, 30), (12, -30)):
        yield rigs.drifting(rigs.udp_audio(s, n, f"233.252.0.{n}", 0.002), off)
    yield rigs.talk(s, 14)


@faulty("three sample rates in one rig", troubles=("sample-clock",))
def _(random):
    s = span(random, 8.0)
    yield from (rigs.rtp(s, n, period_s=0.004) for n in (11, 12))
    yield rigs.rtp(s, 13, period_s=0.0025, rate=96000)
    yield rigs.rtp(s, 14, period_s=0.01, rate=44100)
    yield rigs.ptp(s, 11)
