"""Captures, computer facts and rig sheets without the addresses, names and contents of those who sent them.

Every frame goes through one kernel (`kernels.py`), which rewrites its headers field by field and puts a keyed
digest and zeros in place of what nobody reads. The few control frames that the readers of `wire/` will
dissect get their contents back in another form, by the tables that stand beside those readers: the fields
that tell something of the network stay, addresses and names are replaced. What is not known is never passed
on. Each replacement depends on a key that stays on this computer (`key.py`).
"""
