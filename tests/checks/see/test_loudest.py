"""Who of many senders is named: each with a tenth of the flood, five at most; three where all are small."""

from dataclasses import replace

import pytest

from preflight.checks.say import who
from preflight.checks.see.loudest import loudest, sent
from tests.checks.flows import FLOW
from tests.tally.captures import mac


@pytest.mark.parametrize(
    ("most", "loud", "words"),
    [
        ({"a": 7}, ["a"], who("a")),
        ({"b": 9, "a": 91}, ["a"], who("a")),
        ({"c": 10, "b": 30, "a": 60}, ["a", "b", "c"], "3 devices"),
        ({"a": 60, "b": 31, "c": 9}, ["a", "b"], "2 devices"),
        ({"a": 60, "b": 30, "c": 9, "d": 1}, ["a", "b"], "4 devices"),  # they do not make nine tenths
        (dict.fromkeys("abcdef", 9), list("abcde"), "6 devices"),
        (dict.fromkeys("abcdefghijklmno", 9), list("abc"), "15 devices"),
    ],
)
def test_who_matters_in_a_flood(most, loud, words):
    assert loudest(most) == (loud, words)


def test_what_a_sender_sent_most_of():
    few, many = (
        replace(FLOW, frames=3),
        replace(FLOW, frames=1700, first_frame=4, first_s=0.2, ethertype=0x0806),
    )
    told = sent(mac(5), 1703, [few, many])
    assert told.text.startswith(f"{who(mac(5))} sent 1 703 in all, mostly ARP")
    assert (told.frame, told.time_s) == (4, 0.2)
    assert sent(mac(5), 12, []).text == f"{who(mac(5))} sent 12 in all"
