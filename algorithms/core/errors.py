"""Errors that a user can act on."""


class LakefloorError(ValueError):
    """Input that cannot be used; the message says what, where and how to mend it."""


class Cancelled(Exception):  # noqa: N818
    """The user asked to stop; raised from a progress callback."""
