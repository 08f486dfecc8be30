"""A soak: hours on one item, what was measured, and the log that keeps it.

`facts` is what was measured, `course` measures it from what the computer and the wire say, `judge` comes to findings, and
`log` keeps it all in SQLite. Only `log` touches the world.
"""
