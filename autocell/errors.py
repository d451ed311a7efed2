"""Every error that autocell raises on purpose.

    AutocellError
    ├── UsageError                      what was asked for cannot be asked        (ValueError)
    │   ├── BenchFileError              a bench file says something impossible
    │   └── NoSuchPattern               no setting within reach gives these passes
    ├── LimitError                      refused before a byte left                (ValueError)
    ├── BudgetError                     a cap on moves, travel or time is reached (RuntimeError)
    ├── Undecided                       the readings do not settle the question   (RuntimeError)
    ├── Busy                            somebody else owns the port or the bench  (RuntimeError)
    ├── DeviceError                     an instrument did not do its part         (OSError)
    │   ├── NoReply                     silent until the deadline                 (TimeoutError)
    │   ├── Disconnected                the line itself is gone                   (ConnectionError)
    │   ├── BadReply                    an answer that means nothing              (ValueError)
    │   ├── WrongIdentity               another instrument than the bench file says
    │   ├── Refused                     the instrument reports an error of its own
    │   └── MotionError                 a move did not end where it was sent
    ├── ReadingError                    a reading that must not be used
    └── StoreError                      the run store cannot be read or written   (OSError)

    Stopped                             somebody pressed stop; a BaseException, so that
                                        no broad ``except`` can carry on after it
    └── ToldToEnd                       nobody did: a signal said that the process has to end

The command line turns each into one sentence and an exit code; a message names the value,
where it came from, and what would be right.
"""


class AutocellError(Exception):
    """Base of all errors a user can act on."""


class UsageError(AutocellError, ValueError):
    """What was asked for cannot be asked."""


class BenchFileError(UsageError):
    """A bench file says something impossible; the message names file, line, path and cure."""


class NoSuchPattern(UsageError):
    """No setting within reach gives the wanted passes; the message names the nearest that do."""


class LimitError(AutocellError, ValueError):
    """A move was refused before a byte left, because its path would leave the limits."""


class BudgetError(AutocellError, RuntimeError):
    """A cap on moves, travel or time is reached."""


class Undecided(AutocellError, RuntimeError):
    """The readings do not settle the question, or contradict all that the bench file allows."""


class Busy(AutocellError, RuntimeError):
    """Somebody else owns the port or the bench."""


class DeviceError(AutocellError, OSError):
    """An instrument did not do its part."""


class NoReply(DeviceError, TimeoutError):
    """The instrument stayed silent until the deadline."""


class Disconnected(DeviceError, ConnectionError):
    """The line to the instrument is gone, or was never there."""


class BadReply(DeviceError, ValueError):
    """The instrument answered something that means nothing in its dialect."""


class WrongIdentity(DeviceError):
    """Another instrument answered than the one the bench file names."""


class Refused(DeviceError):
    """The instrument reports an error of its own."""


class MotionError(DeviceError):
    """A move did not end where it was sent."""


class ReadingError(AutocellError):
    """A power reading that is stale, saturated, not a number or too noisy to use."""


class StoreError(AutocellError, OSError):
    """The run store cannot be read or written."""


class Stopped(BaseException):
    """Somebody asked for a stop. Not an ``Exception``: nothing may swallow it and go on."""


class ToldToEnd(Stopped):
    """The process was told to end: its machine or its service goes down, or its terminal is gone.
    The axes are stopped as by anybody's stop, but nobody has asked that the bench be held."""
