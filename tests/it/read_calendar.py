"""Reads an iCalendar text from standard input with the PyPI package icalendar, and writes what it
understood of its events as JSON: another program's reading of RFC 5545."""

import json
import sys

from icalendar import Calendar

raw = sys.stdin.buffer.read()
assert raw.endswith(b"\r\n"), "lines end in CRLF"
assert all(len(line) <= 75 for line in raw.split(b"\r\n")), "lines are folded at 75 octets"
assert b"\n" not in raw.replace(b"\r\n", b""), "no line ends otherwise"
calendar = Calendar.from_ical(raw)
assert not calendar.errors, calendar.errors
events = []
for event in calendar.walk("VEVENT"):
    assert not event.errors, event.errors
    events.append(
        {
            "uid": str(event["UID"]),
            "summary": str(event["SUMMARY"]),
            "location": str(event.get("LOCATION", "")),
            "starts": event["DTSTART"].dt.isoformat(),
            "ends": event["DTEND"].dt.isoformat(),
            "stamp_is_utc": event["DTSTAMP"].dt.utcoffset().total_seconds() == 0,
            "sequence": int(event["SEQUENCE"]),
            "status": str(event["STATUS"]),
        }
    )
print(json.dumps({"version": str(calendar["VERSION"]), "has_prodid": "PRODID" in calendar, "events": events}))
