"""The cautions that stand beside fixes which touch cables, fibre, mains or people's data. Common practice."""

MUTE_FIRST = (
    "Mute the PA and all in-ear mixes before you unplug, re-plug or restart anything: "
    "audio can come back at full level and hurt hearing."
)
TELL_FIRST = "Tell monitors and stage before what says “in a break”: it is heard."
CAN_STOP_ALL = "What says “before doors” can stop all audio: tell monitors and stage."
CABLE_ROUTE = "Route every cable clear of walkways and exits."
FIBRE = "Never look into the end of a fibre."
QUALIFIED = (
    "Mains, rigging and work at height are for qualified people, under the local codes and the venue's rules."
)
PRIVACY = "Capture only networks that you are allowed to: a capture can hold personal data."
HOT = "What runs hot can burn: let it cool down before you touch it, and keep cables and covers off it."
