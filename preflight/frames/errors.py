"""The one error that reading frames raises to its caller."""


class CaptureError(Exception):
    """A source that cannot be read. Its text is one line: what, where, why."""
