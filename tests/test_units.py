"""Times at the rim: to Unix milliseconds, or an error that says why not."""

from __future__ import annotations

from datetime import datetime

import pytest

from monitor.units import ms_from_datetime, ms_from_rfc3339


def test_the_calendars_first_and_last_millisecond_are_times() -> None:
    """Year 1 is 719,162 days before 1970 (`date.toordinal`), the last of 9999 is 253,402,300,799,999 ms."""
    assert ms_from_rfc3339("0001-01-01T00:00:00Z") == -719_162 * 86_400_000
    assert ms_from_rfc3339("9999-12-31T23:59:59.999999Z") == 253_402_300_799_999


@pytest.mark.parametrize("text", ["0001-01-01T00:00+14:00", "9999-12-31T23:59:59-14:00", "2026-03-01T18:30"])
def test_what_is_no_time_in_utc_is_a_wrong_value(text: str) -> None:
    """A moment that the offset carries off the calendar, and one without an offset, raise ValueError."""
    for read in (ms_from_rfc3339, lambda one: ms_from_datetime(datetime.fromisoformat(one))):
        with pytest.raises(ValueError, match=text[:10]):
            read(text)
