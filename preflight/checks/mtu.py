"""The largest packet that this computer sends by the audio adapter: the standard 1500 bytes."""

from preflight.checks.cautions import MUTE_FIRST
from preflight.checks.computer_subject import audio_adapter, untold
from preflight.checks.finding import Check, Finding, Limit, Outcome
from preflight.facts import Facts

CHECK = Check(
    name="mtu",
    subject="computer",
    question="Is the audio adapter's largest packet the standard 1500 bytes?",
    looks_at="The adapter's MTU, the largest packet that the system sends by it.",
    why=(
        "With a smaller MTU full-size packets are split or refused. With a larger one (jumbo frames) every device and "
        "every switch has to be set for it: those that are not drop what is too long, without a word."
    ),
    limits=(Limit("mtu_bytes", 1500, "bytes", "RFC 894; IEEE 802.3 clause 3.2.7"),),
    sources=("RFC 894", "IEEE 802.3 clause 3.2.7: maximum MAC client data"),
    fixes=(
        "Open the audio adapter's settings and set the MTU to 1500. Turn jumbo frames (jumbo packet) off.",
        "Is there a VPN or security program that set it? Turn that off for the audio adapter.",
        "Run the line check again.",
    ),
    cautions=(MUTE_FIRST,),  # many adapters restart their link for it
    unproven="Look up the MTU (or jumbo packet) in the adapter's settings: it should be 1500, jumbo off.",
)


def judge(facts: Facts) -> Finding | None:
    if facts.host is None:
        return None
    adapter = audio_adapter(CHECK, facts, facts.host)
    if isinstance(adapter, Finding):
        return adapter
    mtu, standard = adapter.mtu, CHECK.limit("mtu_bytes")
    if mtu is None:
        return untold(CHECK, f"The system does not say the MTU of {adapter.name}.")
    measured, limits = {"mtu_bytes": mtu}, {"mtu_bytes": standard}
    if mtu == standard:
        return Finding(
            CHECK.name,
            Outcome.PASS,
            f"{adapter.name} sends packets of up to {mtu} bytes.",
            measured=measured,
            limits=limits,
        )
    small = mtu < standard
    return Finding(
        CHECK.name,
        Outcome.FAIL if small else Outcome.CAUTION,
        f"The MTU of {adapter.name} is {mtu}, {'smaller' if small else 'larger'} than the standard {standard:g}.",
        measured=measured,
        limits=limits,
        fixes=CHECK.fixes,
        cautions=CHECK.cautions,
        culprits=(adapter.name,),
    )
