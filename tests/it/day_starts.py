"""Starts of local days by the system's tz database, for the zones named as arguments.

One line a zone: its name, then the POSIX time at which each day from 2015-01-01 to 2035-12-31
begins: the first quarter of an hour whose local date is that day.
"""

import sys
from datetime import date, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

for name in sys.argv[1:]:
    zone = ZoneInfo(name)
    starts = []
    day = date(2015, 1, 1)
    while day.year < 2036:
        # No zone was ever more than 15 hours ahead of UTC.
        at = datetime(day.year, day.month, day.day, tzinfo=timezone.utc) - timedelta(hours=15)
        if starts:
            # In these years no clock here goes forward by more than an hour.
            at = max(at, datetime.fromtimestamp(starts[-1] + 23 * 3600, timezone.utc))
        while at.astimezone(zone).date() < day:
            at += timedelta(minutes=15)
        starts.append(int(at.timestamp()))
        day += timedelta(days=1)
    print(name, *starts)
