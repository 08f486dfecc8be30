"""Desks: which adapter is the audio LAN's, what else is plugged in, and how the computer is set. Each is
judged on three systems."""

from dataclasses import replace
from random import Random

from tests.situations import rigs
from tests.situations.desks import FIRST_MAC, LISTENED_S, Computer, Port
from tests.situations.rigs import Frames, Span
from tests.situations.table import NOT_ALARMED, desk_at_fault, desk_in_order, span

CAUTIONED = ("ready with cautions",)
UNIX = ("Linux", "Darwin")
ELSEWHERE = Port("control", "198.51.100.7/24", origin="dhcp", gateway="198.51.100.1")
OVER_THE_AIR = replace(ELSEWHERE, kind="wifi")
SPARE = Port("spare", link=False)
HIDDEN = Port("hidden", "169.254.17.4/16", "hidden", "link-local", link=False)
BLUETOOTH = Port("bluetooth", "169.254.18.4/16", "bluetooth", "link-local", link=False)
CONTAINERS = Port("containers", "203.0.113.1/24", "containers")


def audio(random: Random, **changed) -> Port:
    """The audio LAN's adapter, with a rig at work on it."""
    return replace(Port("audio", "192.0.2.10/24", hears=list(rigs.playing(random, LISTENED_S))), **changed)


def talking(random: Random, subnet: str = "192.0.2") -> list[Frames]:
    """Three devices that ask for one another, and no audio."""
    s = span(random, LISTENED_S)

    def asks(number: int, device: int) -> bytes:
        asked = f"{subnet}.{61 + (device + number % 2) % 3}"
        return rigs.raw.arp(rigs.mac(device), f"{subnet}.{device}", asked)

    return [s.every(0.3, lambda k, n=n: asks(k, n), jitter_s=0.1) for n in (61, 62, 63)]


def household(random: Random) -> list[Frames]:
    """A control network: its router and tablets."""
    return talking(random, "198.51.100")


def itself(random: Random) -> list[Frames]:
    """What the desk sends, and nobody else."""
    asks = rigs.raw.arp(rigs.mac(FIRST_MAC), "192.0.2.10", "192.0.2.201")
    return [Span(0.0, LISTENED_S, random).every(0.5, asks)]


# -- in order ------------------------------------------------------------------------------------------------


@desk_in_order("a control network on the desk's second adapter, with lease and gateway")
def _(random):
    yield audio(random)
    yield ELSEWHERE


@desk_in_order("a control network over Wi-Fi")
def _(random):
    yield OVER_THE_AIR
    yield audio(random)


@desk_in_order("a tunnel to the office by the control network's Wi-Fi")
def _(random):
    yield replace(OVER_THE_AIR, gateway="")
    yield Port("tunnel", "203.0.113.9/24", "vpn", gateway="203.0.113.1")
    yield audio(random)


@desk_in_order("no second network at all")
def _(random):
    yield audio(random)


@desk_in_order("a link-local address on the audio LAN, a leased one on the control network")
def _(random):
    yield ELSEWHERE
    yield audio(random, ip=f"169.254.{random.randrange(1, 255)}.7/16", origin="link-local")


@desk_in_order("a fast USB adapter for audio, the built-in socket for control")
def _(random):
    yield ELSEWHERE
    yield audio(random, usb=5000)


@desk_in_order("a telephone lends its internet by USB")
def _(random):
    yield audio(random)
    yield replace(ELSEWHERE, usb=480, speed=random.choice((100, 1000)))


@desk_in_order("a spare adapter without a cable, set up like the live one")
def _(random):
    yield Port("spare", "192.0.2.11/24", link=False)
    yield audio(random, usb=5000)
    yield OVER_THE_AIR


@desk_in_order("a spare adapter without a cable that keeps the live one's own address")
def _(random):
    yield audio(random)
    yield Port("spare", "192.0.2.10/24", link=False, usb=5000)


@desk_in_order("Wi-Fi switched off, Bluetooth and Wi-Fi Direct without a link, each keeps an address")
def _(random):
    yield replace(OVER_THE_AIR, ip="192.0.2.77/24", gateway="", on=random.random() < 0.5, link=False)
    yield BLUETOOTH
    yield HIDDEN
    yield audio(random)


@desk_in_order("link-local on the audio LAN, and on adapters without a link")
def _(random):
    yield HIDDEN
    yield Port("spare", "169.254.20.4/16", origin="link-local", link=False)
    yield BLUETOOTH
    yield audio(random, ip="169.254.7.7/16", origin="link-local")


@desk_in_order("a link of 2.5 Gb/s")
def _(random):
    yield audio(random, speed=2500)
    yield OVER_THE_AIR


@desk_in_order("the two networks of a redundant pair, one of them named", named="audio")
def _(random):
    yield audio(random)
    yield Port("second", "203.0.113.10/24", hears=list(rigs.playing(random, LISTENED_S)))


@desk_in_order("a control network with a fixed address and no gateway, the audio LAN named", named="audio")
def _(random):
    yield Port("control", "198.51.100.7/24")
    yield audio(random)


@desk_in_order(
    "containers that do not run, forwarding left on", NOT_ALARMED, ("control-network", "addressing")
)
def _(random):
    yield audio(random)
    yield replace(CONTAINERS, link=False)
    yield OVER_THE_AIR
    yield Computer(forwards=True)


@desk_in_order("a virtual machine that runs, nothing forwarded")
def _(random):
    yield CONTAINERS
    yield Port("machine", kind="machine")
    yield audio(random)


@desk_in_order("containers that run, forwarding left on", NOT_ALARMED, ("addressing", "control-network"))
def _(random):
    yield CONTAINERS
    yield Port("machine", kind="machine")
    yield audio(random)
    yield Computer(forwards=True)


@desk_in_order(
    "containers that run, forwarding left on, beside a control network",
    NOT_ALARMED,
    ("addressing", "control-network"),
)
def _(random):
    yield audio(random)
    yield CONTAINERS
    yield random.choice((ELSEWHERE, OVER_THE_AIR))
    yield Computer(forwards=True)


@desk_in_order(
    "an audio LAN of /16, and a control network within it where no audio device is",
    CAUTIONED,
    ("control-network",),
    says=("198.51.100.0/24", "198.51.0.0/16"),
)
def _(random):
    yield audio(random, ip="198.51.7.10/16")
    yield replace(ELSEWHERE, kind=random.choice(("wired", "wifi")))


@desk_in_order(
    "audio is heard by an adapter with a lease, beside one without a cable", CAUTIONED, ("right-adapter",)
)
def _(random):
    yield SPARE
    yield audio(random, origin="dhcp")


@desk_in_order("a desk that is named by hand before the audio starts", named="audio")
def _(random):
    yield audio(random, hears=talking(random))
    yield SPARE


@desk_in_order("the control network by cable and by Wi-Fi at once")
def _(random):
    yield replace(ELSEWHERE, gateway="")
    yield Port("air", "198.51.100.8/24", "wifi", "dhcp", "198.51.100.1")
    yield audio(random)


@desk_in_order("Wi-Fi is on, and joined to nothing")
def _(random):
    yield replace(OVER_THE_AIR, ip="", gateway="", link=random.random() < 0.5)
    yield audio(random)


@desk_in_order("Wi-Fi that fell back to a link-local address, the audio LAN has fixed ones")
def _(random):
    yield audio(random)
    yield replace(OVER_THE_AIR, ip="169.254.9.9/16", origin="link-local", gateway="")


@desk_in_order("the audio LAN in the third of three sockets, the others empty")
def _(random):
    yield SPARE
    yield replace(SPARE, part="second", usb=5000)
    yield audio(random)


@desk_in_order("a control network whose cable is out, its address and gateway still set")
def _(random):
    yield replace(ELSEWHERE, link=False)
    yield audio(random)


@desk_in_order("a turned-off adapter in the audio LAN's subnet")
def _(random):
    yield Port("spare", "192.0.2.11/24", on=False)
    yield audio(random)
    yield OVER_THE_AIR


@desk_in_order(
    "an audio LAN within a wider control network, no control device in it", CAUTIONED, ("control-network",)
)
def _(random):
    yield audio(random)
    yield Port("control", "192.0.7.9/16", "wifi", "dhcp", "192.0.7.1")


@desk_in_order("a slow USB adapter that is only for control")
def _(random):
    yield replace(ELSEWHERE, usb=480, speed=100, saves_energy=True, flow_control=True)
    yield audio(random)


@desk_in_order("a control network of 10 Mb/s, half duplex")
def _(random):
    yield replace(ELSEWHERE, speed=10, duplex="half", mtu=1400)
    yield audio(random)


@desk_in_order("the only network, with a clock and no audio yet, beside an adapter without a cable")
def _(random):
    s = span(random, LISTENED_S)
    yield SPARE
    yield audio(random, hears=[rigs.ptp(s, 61), *talking(random)])


# -- wrong ---------------------------------------------------------------------------------------------------


@desk_at_fault("the audio cable is out, and its address stays", "not ready", fails=("link-up",))
def _(random):
    yield replace(ELSEWHERE, hears=household(random))
    yield audio(random, link=False)


@desk_at_fault(
    "the audio cable is out, and the system takes its address away",
    "unproven",
    chosen="control",
    says=("Is ", " the audio network?", "has no link"),
)
def _(random):
    yield audio(random, ip="", link=False)
    yield replace(ELSEWHERE, hears=household(random))


@desk_at_fault(
    "the audio cable is out, and the control network has a fixed address",
    "unproven",
    chosen="control",
    says=("the audio network?", "has no link"),
)
def _(random):
    yield audio(random, ip="", link=False)
    yield Port(
        "control", "198.51.100.7/24", gateway=random.choice(("", "198.51.100.1")), hears=household(random)
    )


@desk_at_fault(
    "the audio adapter is left at home, and the control network is wired",
    "unproven",
    chosen="control",
    says=("the audio network?",),
)
def _(random):
    yield replace(ELSEWHERE, hears=household(random))
    yield HIDDEN
    yield BLUETOOTH


@desk_at_fault(
    "the only likely adapter has its cable out", "not ready", fails=("link-up",), says=("has no link",)
)
def _(random):
    yield replace(OVER_THE_AIR, hears=household(random))
    yield audio(random, link=False, ip=random.choice(("", "192.0.2.10/24")))
    yield HIDDEN


@desk_at_fault("the audio adapter is turned off", "not ready", fails=("link-up",), says=("turned off",))
def _(random):
    yield OVER_THE_AIR
    yield audio(random, on=False)


@desk_at_fault("a dead switch: the link is up, and nothing comes", "unproven")
def _(random):
    yield audio(random, hears=())
    yield ELSEWHERE


@desk_at_fault("nobody but this computer is heard", "unproven", says=("only this computer",))
def _(random):
    yield audio(random, hears=itself(random))
    yield OVER_THE_AIR


@desk_at_fault(
    "Wi-Fi is named as the audio LAN", "not ready", named="control", chosen="control", fails=("adapter-kind",)
)
def _(random):
    yield replace(OVER_THE_AIR, hears=household(random))
    yield audio(random)


@desk_at_fault("nothing but Wi-Fi", chosen="", says=("Is its adapter plugged in?",))
def _(_random):
    yield OVER_THE_AIR
    yield HIDDEN
    yield BLUETOOTH


for _mbps in (10, 100):

    @desk_at_fault(f"a link of {_mbps} Mb/s", "not ready", fails=("link-speed",))
    def _(random, mbps=_mbps):
        yield audio(random, speed=mbps)
        yield OVER_THE_AIR


@desk_at_fault("half duplex", "not ready", fails=("duplex",))
def _(random):
    yield audio(random, speed=100, duplex="half")
    yield OVER_THE_AIR


@desk_at_fault("a gigabit adapter in a USB 2 socket", "not ready", fails=("adapter-bus",))
def _(random):
    yield OVER_THE_AIR
    yield audio(random, usb=480)


@desk_at_fault("energy-efficient Ethernet in use", *CAUTIONED, troubles=("adapter-sleep",))
def _(random):
    yield audio(random, saves_energy=True)


@desk_at_fault(
    "the system may put the adapter to sleep", *CAUTIONED, troubles=("adapter-sleep",),
    systems=("Linux", "Windows"),
)  # fmt: skip
def _(random):
    yield audio(random, usb=5000, may_sleep=True)
    yield ELSEWHERE


@desk_at_fault("flow control in use", *CAUTIONED, troubles=("flow-control",))
def _(random):
    yield audio(random, flow_control=True)


@desk_at_fault(
    "a computer on its battery that saves power", *CAUTIONED, troubles=("computer-power",), says=("battery",)
)
def _(random):
    yield audio(random)
    yield Computer(mains=False, saves_power=random.random() < 0.5)


@desk_at_fault(
    "a computer that goes to sleep by itself", *CAUTIONED, troubles=("computer-power",), says=("goes to "
                                                                                               "sleep "
                                                                                               "after",),
    systems=("Darwin", "Windows"),
)  # fmt: skip
def _(random):
    yield audio(random)
    yield Computer(sleeps_after_min=random.randrange(5, 60))


@desk_at_fault("the default gateway goes by the audio LAN, too", "not ready", fails=("addressing",))
def _(random):
    yield audio(random, gateway="192.0.2.1")
    yield OVER_THE_AIR


@desk_at_fault("the default gateway goes by the audio LAN alone", *CAUTIONED, troubles=("addressing",))
def _(random):
    yield audio(random, gateway="192.0.2.1")
    yield replace(ELSEWHERE, gateway="", kind="wifi")


@desk_at_fault(
    "a bridge joins the audio LAN to the control network",
    "not ready",
    fails=("shared-connection",),
    named="audio",
)
def _(random):
    yield audio(random, bridged=True)
    yield replace(ELSEWHERE, bridged=True)


@desk_at_fault("the internet is shared with the audio LAN", "not ready", fails=("shared-connection",))
def _(random):
    yield OVER_THE_AIR
    yield audio(random)
    yield Computer(shares=True)


@desk_at_fault(
    "packets are forwarded to the control network, and no program's doing", "not ready", fails=("shared-connection",),
    systems=UNIX,
)  # fmt: skip
def _(random):
    yield audio(random)
    yield random.choice((ELSEWHERE, OVER_THE_AIR))
    yield Computer(forwards=True)


@desk_at_fault(
    "two live adapters in one subnet", "not ready", fails=("addressing",), named="audio", says=("one subnet",)
)
def _(random):
    yield Port("second", f"192.0.2.{random.randrange(20, 250)}/24")
    yield audio(random)


@desk_at_fault("Wi-Fi in the audio LAN's own subnet", "not ready", fails=("addressing",))
def _(random):
    yield replace(OVER_THE_AIR, ip="192.0.2.78/24")
    yield audio(random)


@desk_at_fault(
    "two live adapters of one address", "not ready", fails=("addressing",), says=("the same address",)
)
def _(random):
    yield replace(OVER_THE_AIR, ip="192.0.2.10/24")
    yield audio(random)


@desk_at_fault("a control network where the audio LAN's own devices are", "not ready", fails=("addressing",))
def _(random):
    yield audio(random, ip="198.51.100.10/16")
    yield ELSEWHERE


@desk_at_fault("no address on the audio LAN", *CAUTIONED, troubles=("addressing",))
def _(random):
    yield audio(random, ip="")
    yield OVER_THE_AIR


for _mtu, _verdict in ((9000, "ready with cautions"), (1400, "not ready")):

    @desk_at_fault(f"packets of {_mtu} bytes set on the audio adapter", _verdict, troubles=("mtu",))
    def _(random, mtu=_mtu):
        yield audio(random, mtu=mtu)


@desk_at_fault(
    "the desk fell back to a link-local address, the rig has fixed ones", "not ready", fails=("one-subnet",)
)
def _(random):
    s = span(random, LISTENED_S)
    own = rigs.raw.arp(rigs.mac(FIRST_MAC), "169.254.7.7", "192.0.2.201")
    talk = [rigs.talk(s, n, per_s=1) for n in (201, 202, 203)]
    yield audio(
        random, ip="169.254.7.7/16", origin="link-local", hears=[*rigs.playing(random, LISTENED_S), *talk, s.every(1.0, own)]
    )  # fmt: skip
