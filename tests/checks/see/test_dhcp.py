"""DHCP servers put together from frames: by what they sent, or by a client's word; whose they are, and from
when to when."""

from dataclasses import replace

import pytest

from preflight import wire
from preflight.checks.say import who
from preflight.checks.see.dhcp import Server, heard_servers
from preflight.wire.dhcp4 import Dhcp4Message
from preflight.wire.dhcp6 import Dhcp6Message
from tests.checks.wire.test_stray_dhcp import heard
from tests.wire import samples
from tests.wire.samples import CLIENT, SERVER, SERVER_IP

OTHER = "00:00:5e:00:53:43"
OFFER = samples.offer()
HANDED_OUT = (
    f"{who(SERVER, SERVER_IP)} sent a DHCP OFFER, address 192.0.2.111 mask 255.255.255.0, gateway 192.0.2.1, "
    "name server 192.0.2.2, 192.0.2.3, for 3600 s"
)


def servers(*frames, **more) -> list[Server]:
    return heard_servers(heard(*frames, **more))


def told(server: Server) -> list[str]:
    return [each.text for each in server.evidence.values()]


def request(kind: str = "request", server: str = SERVER_IP, **more):
    return samples.dhcp4(kind, server_id=server, **{"requested_addr": "192.0.2.111", **more})


def test_all_that_an_offer_hands_out():
    [server] = servers(("dhcp4", 0.5, OFFER))
    assert told(server) == [HANDED_OUT] and not server.named and not server.own
    assert (server.hardware, server.address, server.relay) == (SERVER, SERVER_IP, "")
    assert server.name == who(SERVER, SERVER_IP)


def test_what_an_answer_leaves_out_is_left_out():
    bare = samples.dhcp4("ack", src=SERVER, server_id=SERVER_IP)
    assert told(servers(("dhcp4", 0, bare))[0]) == [f"{who(SERVER, SERVER_IP)} sent a DHCP ACK"]
    no_mask = samples.dhcp4("offer", src=SERVER, server_id=SERVER_IP, yiaddr="192.0.2.9", lease_time=0)
    assert told(servers(("dhcp4", 0, no_mask))[0])[0].endswith("OFFER, address 192.0.2.9, for 0 s")
    cut = bytes(OFFER)[:256]
    [text] = told(servers(("dhcp4", 0, cut, {"cut": True}))[0])
    assert "a DHCP reply (its type is cut off), address 192.0.2.111" in text


def test_a_server_over_ipv6():
    [server] = servers(("dhcp6", 1, samples.advertise()))
    assert told(server) == [
        f"{who(SERVER, 'fe80::2')} sent a DHCPv6 ADVERTISE, address 2001:db8::111, name server 2001:db8::53"
    ]


def test_one_server_from_its_first_word_to_its_last_each_kind_told_once():
    ack = samples.dhcp4("ack", src=SERVER, server_id=SERVER_IP)
    late = ("dhcp6", 1.0, samples.advertise())
    [server] = servers(("dhcp4", 4, OFFER), ("dhcp4", 6, ack), ("dhcp4", 9, OFFER), late)
    assert (server.first_s, server.last_s) == (1.0, 9)
    assert [(kind, each.frame) for kind, each in server.evidence.items()] == [
        ("OFFER", 1),
        ("ACK", 2),
        ("6 ADVERTISE", 4),
    ]


def test_the_first_heard_comes_first():
    second = samples.offer(OTHER, server_id="192.0.2.67")
    assert [each.hardware for each in servers(("dhcp4", 2, OFFER), ("dhcp4", 1, second))] == [OTHER, SERVER]


def test_whose_server_it_is():
    [own] = servers(("dhcp4", 0, OFFER, {"outgoing": True}))
    assert own.own and own.name == "this computer"
    [other] = servers(("dhcp4", 0, request(), {"outgoing": True}))
    assert other.named and not other.own, "this computer takes it from another"


@pytest.mark.parametrize(
    ("gateway", "source", "relayed"),
    [
        ("198.51.100.1", "198.51.100.1", True),
        ("198.51.100.1", SERVER_IP, False),  # it answers the relay itself
        ("0.0.0.0", "198.51.100.1", False),
    ],
)
def test_what_a_relay_passes_on_comes_from_the_relay(gateway, source, relayed):
    frame = samples.offer(giaddr=gateway)
    frame["IP"].src = source
    [server] = servers(("dhcp4", 0, frame))
    assert server.relay == (SERVER if relayed else "")
    assert (server.name == f"{SERVER_IP}, by the relay {who(SERVER)}") is relayed
    assert ("by way of the relay 198.51.100.1" in told(server)[0]) is (gateway != "0.0.0.0")


@pytest.mark.parametrize(
    ("frame", "named"),
    [
        (request(), True),
        (request(ciaddr="192.0.2.111"), False),  # renews a lease of whenever
        (request("decline"), True),
        (request("decline", ciaddr="192.0.2.111"), True),
        (request("release"), False),
        (request("inform"), False),
        (samples.dhcp4("request", requested_addr="192.0.2.111"), False),
    ],
)
def test_which_words_of_a_client_name_a_server(frame, named):
    found = servers(("dhcp4", 0, frame))
    assert [each.address for each in found] == ([SERVER_IP] if named else [])
    assert all(each.named and each.hardware == "" for each in found)


def test_what_a_client_takes():
    text = f"from the server {SERVER_IP}; the offer itself did not come by here"
    [one], [other] = (
        servers(("dhcp4", 0, request())),
        servers(("dhcp4", 0, samples.dhcp4("request", server_id=SERVER_IP))),
    )
    assert told(one) == [f"{who(CLIENT)} takes an offer of 192.0.2.111 {text}"]
    assert told(other) == [f"{who(CLIENT)} takes an offer {text}"]


def test_a_named_server_is_known_by_arp_and_is_none_where_it_was_heard():
    resolved = ("arp", 0, samples.VALID["arp"][0])
    assert [each.hardware for each in servers(resolved, ("dhcp4", 1, request()))] == [SERVER]
    [heard_itself] = servers(("dhcp4", 0, OFFER), ("dhcp4", 1, request()), ("dhcp4", 2, request("decline")))
    assert not heard_itself.named and len(told(heard_itself)) == 1
    [heard_itself] = servers(("dhcp6", 0, samples.advertise()), ("dhcp6", 1, samples.request6()))
    assert not heard_itself.named and len(told(heard_itself)) == 1


def test_a_server_that_a_client_names_over_ipv6():
    [server] = servers(("dhcp6", 0, samples.request6()))
    assert (server.hardware, server.address, server.named) == (SERVER, "", True)
    assert told(server)[0].startswith(f"{who(CLIENT)} takes an offer from the server {SERVER};")
    facts = heard(("dhcp6", 0, samples.request6()))
    [message] = facts.heard(Dhcp6Message)
    unknown = replace(message, server_hardware="")
    [server] = heard_servers(replace(facts, wire={Dhcp6Message: (unknown,)}))
    assert (server.hardware, server.address) == ("", f"DHCPv6 identity {message.server_id}")
    for change in ({"server_id": ""}, {"message_type": "RENEW"}):
        assert not heard_servers(replace(facts, wire={Dhcp6Message: (replace(unknown, **change),)}))


def test_what_is_no_clients_word_names_nobody():
    read = wire.read("dhcp4", samples.picked(request()))
    assert isinstance(read, Dhcp4Message)
    odd = replace(read, op=3)
    assert not heard_servers(replace(heard(), wire={Dhcp4Message: (odd,)}))
