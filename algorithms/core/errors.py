"""Errors that a user can act on."""


class LakefloorError(ValueError):
    """Input that cannot be used; the message says what, where and how to mend it.

    ``notes`` are sentences found on the way that help to see why.
    """

    def __init__(self, message, notes=()):
        super().__init__(message)
        self.notes = tuple(notes)


class Cancelled(Exception):  # noqa: N818
    """The user asked to stop; raised from a progress callback."""
