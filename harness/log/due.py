"""When a unit is due for a recheck. Pure."""

from __future__ import annotations

import calendar
from datetime import datetime

from harness.files.names import utc_time


def utc_text(when: datetime) -> str:
    """Return a time in UTC with a fixed width: "2024-05-04T08:11:12.000000Z"."""
    return f"{when:%Y-%m-%dT%H:%M:%S.%fZ}"


def due_time(when: str, months: int | None) -> str | None:
    """Return the UTC text of the moment ``months`` calendar months after the ISO 8601 time ``when``, or None without months.

    Where the day does not exist in that month, it is the month's last. StoreError: no time with offset.
    """
    if months is None:
        return None
    start = utc_time(when)
    year, month = divmod(start.year * 12 + start.month - 1 + months, 12)
    day = min(start.day, calendar.monthrange(year, month + 1)[1])
    return utc_text(start.replace(year=year, month=month + 1, day=day))
