"""The words for switches of which the sheet does not tell whether they snoop: for none, for one and for
several."""

from preflight.checks.see.snooping import ask, if_not, taken


def test_one_switch_and_two():
    assert if_not(("foh",), "it is full.") == "If foh does not snoop, it is full."
    assert if_not(("foh", "stage"), "it is full.") == "If foh, stage do not snoop, it is full."
    assert ask(("foh",)).startswith("foh: is IGMP snooping on?")
    assert taken(("foh",)) == " foh: taken not to snoop, for the sheet does not tell."
    assert taken(()) == ""
