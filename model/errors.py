"""The one hierarchy of errors.

::

    HoldfastError              anything that we raise on purpose
    ├── BadInput               the caller's input cannot be used; the message is one clear sentence
    │   ├── BadFields          several fields of one form or row cannot be used
    │   ├── NotFound           the named thing does not exist
    │   ├── Conflict           it exists already, or its state forbids the act
    │   │   └── Hindered       interlocks forbid it, each with its sentence
    │   ├── Refused            a message or record of a gateway, with a reason code
    │   └── TooOften           it was tried too often; later it may be tried again
    ├── NotAllowed             who asks may not
    ├── ThreadDied             a thread that a process stands on has ended, so the process must end too
    └── Unavailable            a part that we need (database, broker) does not answer

The command line prints the message and ends with status 2 for ``BadInput`` and ``Unavailable``;
the API answers with problem details of the status named in each class.
"""

from __future__ import annotations

from collections.abc import Mapping


class HoldfastError(Exception):
    """Base of all errors raised on purpose; ``str(error)`` is a sentence for people."""

    status = 500


class BadInput(HoldfastError):
    """The input cannot be used as it is.

    Parameters
    ----------
    message : str
        One clear sentence.
    field : str, optional
        The field of a form or the option of a command that it concerns.
    """

    status = 422

    def __init__(self, message: str, *, field: str | None = None) -> None:
        super().__init__(message)
        self.field = field


class BadFields(BadInput):
    """Several fields of one form or row cannot be used; each has a sentence of its own.

    Parameters
    ----------
    errors : mapping
        Sentences by field; one at least.
    """

    def __init__(self, errors: Mapping[str, str]) -> None:
        super().__init__(" ".join(errors.values()), field=next(iter(errors)))
        self.errors = dict(errors)


class NotFound(BadInput):
    """The named thing does not exist."""

    status = 404


class Conflict(BadInput):
    """It exists already, or its state forbids the act."""

    status = 409


class Hindered(Conflict):
    """Interlocks forbid it.

    Parameters
    ----------
    reasons : mapping
        Sentences by the interlock's id; one at least.
    """

    def __init__(self, reasons: Mapping[str, str]) -> None:
        super().__init__(" ".join(reasons.values()))
        self.reasons = dict(reasons)


class Refused(BadInput):
    """A message or record of a gateway is refused and goes to quarantine.

    Parameters
    ----------
    code : str
        Machine-readable reason, for example ``"not-finite"``.
    message : str
        One clear sentence.
    """

    def __init__(self, code: str, message: str) -> None:
        super().__init__(message)
        self.code = code


class TooOften(BadInput):
    """It was tried too often.

    Parameters
    ----------
    message : str
        One clear sentence.
    wait_s : int
        When to try again [s].
    """

    status = 429

    def __init__(self, message: str, wait_s: int, *, field: str | None = None) -> None:
        super().__init__(message, field=field)
        self.wait_s = wait_s


class NotAllowed(HoldfastError):
    """Who asks may not."""

    status = 403


class ThreadDied(HoldfastError):
    """A thread that a process stands on has ended: the process must end too, and be started anew.

    Parameters
    ----------
    thread : str
        What it is called.
    failure : BaseException or None
        What ended it.
    """

    def __init__(self, thread: str, failure: BaseException | None) -> None:
        super().__init__(f"The thread {thread} ended: {failure or 'no reason known'}")


class Unavailable(HoldfastError):
    """A part that we need does not answer."""

    status = 503
