"""The exception tree.

    CarboydError                    everything that carboyd raises on purpose; has a hint for the operator
    ├── InputError                  a value given by a person is wrong: names value and allowed range
    │   ├── QuantityError           a quantity with a wrong, missing or unreadable unit, or out of range
    │   ├── PackagedError           no plan: the batch is packaged already
    │   ├── ConfigurationError      one or more faults in a configuration, all of them listed
    │   └── RecordingError          a recording that cannot be read at all
    ├── PayloadError                a message that cannot be understood: names the field at fault
    ├── CalibrationError            pairs that cannot give a usable calibration
    ├── StoreError                  the store cannot do what was asked
    │   ├── StoreUnavailableError   it cannot be reached or written now: try again
    │   ├── NotFoundError           no such batch, alert or sensor
    │   └── ClaimLostError          another process judges this batch now
    └── DeliveryError               a notice that a channel did not accept; says whether to retry

Foreign exceptions stop at the seam: each room maps what its library raises to one of these.
"""

from __future__ import annotations


class CarboydError(Exception):
    """Base of everything raised on purpose.

    `hint` says what to do about it, in words for the person at the keyboard.
    """

    def __init__(self, message: str, *, hint: str = "") -> None:
        super().__init__(message)
        self.hint = hint


class InputError(CarboydError):
    """A value given by a person is wrong."""


class QuantityError(InputError):
    """A quantity with a wrong, missing or unreadable unit, or outside what is possible."""


class PackagedError(InputError):
    """A plan was asked for of a batch that is packaged: nothing is to be put into it any more."""


class ConfigurationError(InputError):
    """Faults in a configuration.

    `faults` holds one line for each, with file, key, value and what is allowed.
    """

    def __init__(self, faults: list[str], *, hint: str = "") -> None:
        super().__init__("\n".join(faults), hint=hint)
        self.faults = faults


class RecordingError(InputError):
    """A recording that cannot be read at all."""


class PayloadError(CarboydError):
    """A message that cannot be understood.

    `field` names the part at fault; `kind` is a short stable word by which such faults are counted.
    """

    def __init__(self, message: str, *, kind: str, field: str = "", hint: str = "") -> None:
        super().__init__(message, hint=hint)
        self.kind = kind
        self.field = field


class CalibrationError(CarboydError):
    """Pairs that cannot give a usable calibration."""


class StoreError(CarboydError):
    """The store cannot do what was asked."""


class StoreUnavailableError(StoreError):
    """The store cannot be reached or written now; the same call may work later."""


class NotFoundError(StoreError):
    """No such batch, alert or sensor."""


class ClaimLostError(StoreError):
    """The claim that a write was made under holds no more: another process judges the batch now."""


class DeliveryError(CarboydError):
    """A channel did not accept a notice; `retry` says whether another try makes sense."""

    def __init__(self, message: str, *, retry: bool, hint: str = "") -> None:
        super().__init__(message, hint=hint)
        self.retry = retry
