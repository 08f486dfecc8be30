"""The sheet to start from: an invented show, every key explained beside it."""

TEMPLATE = """\
# The rig sheet: what should be there. Change every line to your show, and delete what you do not need.
# A # starts a remark. Check the file with:      preflight sheet check FILE
# Plan with it:                                 preflight budget FILE
# Judge with it:                                preflight linecheck --sheet FILE

name = "The Salt Road Revue"

[network]
delay_ms = 1.0                    # what the show allows the network, of the whole delay

# A device is a desk (control computer), an engine (it processes), a box (inputs and outputs), or a spare of one of them.
# hardware is the hardware address (MAC) on its label. Not at hand? Give the maker as it is registered, or the address.
# port is the switch and the port that it is plugged into.

[[device]]
name = "desk"
kind = "desk"
hardware = "00:00:5e:00:53:0a"
address = "192.0.2.10"
port = "foh 1"

[[device]]
name = "spare desk"
kind = "spare"
spare_for = "desk"
hardware = "00:00:5e:00:53:0b"
address = "192.0.2.11"
port = "foh 2"

[[device]]
name = "engine A"
kind = "engine"
hardware = "00:00:5e:00:53:14"
address = "192.0.2.20"
port = "foh 3"

[[device]]
name = "engine B"
kind = "spare"
spare_for = "engine A"
hardware = "00:00:5e:00:53:15"
address = "192.0.2.21"
port = "stage 1"
# speaks_every_s = 2.0            # silent for no longer than this at the desk's port; `sheet learn` measures it

[[device]]
name = "box left"
kind = "box"
hardware = "00:00:5e:00:53:1f"
address = "192.0.2.31"
port = "stage 2"
poe_class = 3                     # only if the switch powers it

[[device]]
name = "box right"
kind = "box"
hardware = "00:00:5e:00:53:20"
address = "192.0.2.32"
port = "stage 3"
poe_class = 3

[[switch]]
name = "foh"                      # at front of house
ports = 12
managed = true                    # it has settings; false where it has none
igmp_snooping = true              # it sends multicast only where it is wanted; false where it does not. Not known? Leave it out.
hardware = "00:00:5e:00:53:f0"
querier = true                    # it asks for group members (IGMP); one switch should

[[switch]]
name = "stage"
ports = 12
managed = true
igmp_snooping = true
hardware = "00:00:5e:00:53:e0"
poe_class = 4                     # the highest power class that its ports feed
poe_budget_w = 120                # watts for all ports together
# spanning_tree = true            # if it is turned on

# Cables between switches, and any other that is long. a and b are a device, or a switch and its port.

[[cable]]
name = "the long run"             # as you call it; may be left out
a = "foh 12"
b = "stage 12"
length_m = 85
medium = "Cat 6A"                 # as printed on it: "Cat 5e" to "Cat 8", "OM1" to "OM5", "single-mode"; or "copper", "fibre"
# speed_mbps = 1000
# tagged = true                   # if its frames carry VLAN tags
# lag = "run"                     # cables of one lag, between the same two switches, act as one (link aggregation)

[[stream]]
name = "stage left"
sender = "box left"
receivers = ["desk", "spare desk", "engine A", "engine B"]
channels = 8
sample_rate_hz = 48000
bits = 24
packet_time_ms = 1
group = "233.252.0.1"             # where it goes; without it, presence on the network is not judged
udp_port = 5004

[[stream]]
name = "monitors"
sender = "engine A"
receivers = ["box left", "box right"]
channels = 8
group = "233.252.0.2"

[clock]
master = "engine A"               # who should lead
# domain = 0

[control]                         # the other network: tablets, wireless router. Never joined to the audio LAN.
subnet = "198.51.100.0/24"
router = "198.51.100.1"

[dhcp]
allowed = []                      # servers that are meant to be on the audio LAN: hardware or IP address

[limits.device-count]             # how many the system takes, as its maker says
box = 16
engine = 4
"spare engine" = 4

# Limits that differ from the defaults. `preflight why CHECK` tells their names.
# [limits.link-load]
# fail_share = 0.6
"""
