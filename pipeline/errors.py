"""Errors that a user meets: each is one sentence that says what is wrong, where, and what to do."""


class FleetError(Exception):
    """Say in one sentence what went wrong; `exit_status` is what the command line returns for it."""

    exit_status = 1


class RequestError(FleetError):
    """The request itself was wrong: a path that does not exist, a setting that is not known."""

    exit_status = 2


class WorkError(FleetError):
    """The request was right and the work failed."""


class StoreError(WorkError):
    """The store could not do what was asked of it."""


class FileRefusedError(WorkError):
    """A whole file or sheet can't be taken; the rest of the load goes on."""
