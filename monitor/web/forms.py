"""What people type into forms: numbers, times and choices, or an error that names the field."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import TypeVar

from starlette.datastructures import FormData

from monitor.errors import InputError
from monitor.units import US_GAL_L, celsius_from_fahrenheit, ms_from_datetime, ms_from_rfc3339
from monitor.web.show import Show

_Choice = TypeVar("_Choice", bound=StrEnum)


@dataclass(frozen=True, slots=True)
class Form:
    """One filled-in form, read in the units and the zone of its reader."""

    data: FormData
    show: Show

    def text(self, name: str) -> str:
        """What stands in a field, without blanks around it; empty where there is no such field."""
        value = self.data.get(name, "")
        return value.strip() if isinstance(value, str) else ""

    def every(self, name: str) -> list[str]:
        """What stands in every field of a name."""
        return [value.strip() for value in self.data.getlist(name) if isinstance(value, str)]

    def number_or_none(self, name: str, label: str) -> float | None:
        """A number, None where the field is empty; a decimal comma is understood."""
        text = self.text(name)
        return number(text, label) if text else None

    def number(self, name: str, label: str) -> float:
        """A number that has to be given."""
        value = self.number_or_none(name, label)
        if value is None:
            raise InputError(f"{label} is missing: a number")
        return value

    def whole_or_none(self, name: str, label: str) -> int | None:
        """A whole number, None where the field is empty."""
        value = self.number_or_none(name, label)
        if value is not None and not value.is_integer():
            raise InputError(f"{label} = {value:g}: a whole number")
        return None if value is None else int(value)

    def celsius_or_none(self, name: str, label: str) -> float | None:
        """A temperature in the reader's unit, in degC."""
        value = self.number_or_none(name, label)
        return celsius_from_fahrenheit(value) if value is not None and self.show.us else value

    def litres_or_none(self, name: str, label: str) -> float | None:
        """A volume in the reader's unit, in L."""
        value = self.number_or_none(name, label)
        return value * US_GAL_L if value is not None and self.show.us else value

    def choice(self, name: str, label: str, kind: type[_Choice]) -> _Choice:
        """One of a set of words."""
        try:
            return kind(self.text(name))
        except ValueError:
            raise InputError(f"{label} = {self.text(name)!r}: one of {', '.join(kind)}") from None

    def moment_ms(self, name: str, label: str) -> int:
        """A moment: UTC where the page's script could tell it, else the server's local time; empty is now."""
        exact = self.data.get(f"{name}_utc")
        if isinstance(exact, str):
            return _exact_ms(exact, label) if exact else self.show.now_ms
        text = self.text(name)
        if not text:
            return self.show.now_ms
        try:
            local = datetime.fromisoformat(text)
            return ms_from_datetime(local if local.tzinfo else local.replace(tzinfo=self.show.zone))
        except ValueError:
            raise InputError(f"{label} = {text!r}: a date and a time, such as 2026-03-01T18:30") from None


def _exact_ms(text: str, label: str) -> int:
    try:
        return ms_from_rfc3339(text)
    except ValueError:
        raise InputError(f"{label} = {text!r}: a time in UTC, such as 2026-03-01T18:30:00Z") from None


def number(text: str, label: str) -> float:
    """A finite number; InputError names the field."""
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        raise InputError(f"{label} = {text!r}: a number, such as 1.012") from None
    if not math.isfinite(value):
        raise InputError(f"{label} = {text!r}: a finite number")
    return value


def whole(query: Mapping[str, str], name: str, default: int) -> int:
    """A whole number behind the question mark of an address; InputError names it."""
    text = query.get(name, "")
    if not text:
        return default
    if not re.fullmatch("-?[0-9]{1,15}", text):
        raise InputError(f"{name} = {text[:40]!r}: a whole number")
    return int(text)
