#!/usr/bin/env python3
"""Your dashboard in ten minutes: the figures of a year by month, and then only what changes.

    WEIRBOOK_URL=http://localhost:8080 WEIRBOOK_EMAIL=... WEIRBOOK_PASSWORD=... python3 dashboard.py 2026

Prints a line for each site and month, then follows the feed of changes and prints the months that
were computed anew. `--once` stops after the first table. Python's standard library is enough.
"""

import json
import os
import sys
import urllib.parse
import urllib.request

URL = os.environ.get("WEIRBOOK_URL", "http://localhost:8080")


def call(path, token=None, body=None, **query):
    """One request; what it answers, as JSON. A problem is raised with its own words."""
    query = urllib.parse.urlencode({name: value for name, value in query.items() if value is not None})
    request = urllib.request.Request(f"{URL}{path}?{query}" if query else f"{URL}{path}")
    request.add_header("Accept", "application/json")
    if token:
        request.add_header("Authorization", f"Bearer {token}")
    if body is not None:
        request.data = json.dumps(body).encode()
        request.add_header("Content-Type", "application/json")
    try:
        with urllib.request.urlopen(request, timeout=60) as answer:
            return json.load(answer)
    except urllib.error.HTTPError as error:
        raise SystemExit(f"{path}: {error.code} {error.read().decode()}") from error


class SignedIn:
    """Somebody who is signed in. An access token lasts for 15 minutes; the refresh token brings the next."""

    def __init__(self, email, password):
        self.tokens = call("/v1/sessions", body={"email": email, "password": password})

    def get(self, path, **query):
        try:
            return call(path, self.tokens["access_token"], **query)
        except SystemExit as problem:
            if " 401 " not in str(problem):
                raise
        self.tokens = call("/v1/sessions/refresh", body={"refresh_token": self.tokens["refresh_token"]})
        return call(path, self.tokens["access_token"], **query)

    def items(self, path, **query):
        """All records of a list, page by page."""
        cursor = None
        while True:
            page = self.get(path, cursor=cursor, **query)
            yield from page["items"]
            cursor = page["next_cursor"]
            if cursor is None:
                return


def months(weirbook, names, first, last, site=None):
    """Prints the months of one site, or of all. A figure that the meters do not support is null."""
    figures = weirbook.get("/v1/water", step="month", **{"from": first, "to": last}, site_id=site)["items"]
    for figure in figures:
        fresh, recycled = figure["fresh_used_l"], figure["recycled_l"]
        said = lambda litres: "      n/a" if litres is None else f"{litres / 1000:9.1f}"
        issued = figure["issued_revision"]
        print(
            f"{figure['date'][:7]}  {names.get(figure['site_id'], figure['site_id']):30.30}"
            f"{said(fresh)} m3 fresh {said(recycled)} m3 recycled  {figure['grade']}"
            f"  {100 * figure['coverage']:3.0f} % read" + (f"  report issued ({issued})" if issued else "")
        )


def main():
    year = next((word for word in sys.argv[1:] if word.isdigit()), "2026")
    weirbook = SignedIn(os.environ["WEIRBOOK_EMAIL"], os.environ["WEIRBOOK_PASSWORD"])
    # First where the feed stands, then the figures: what changes in between comes twice, never not at all.
    after = weirbook.get("/v1/changes", after="newest")["next_after"]
    names = {site["id"]: site["name"] for site in weirbook.items("/v1/sites")}
    months(weirbook, names, f"{year}-01-01", f"{year}-12-31")
    while "--once" not in sys.argv:
        part = weirbook.get("/v1/changes", after=after, records="water_figures", wait_s=20)
        after = part["next_after"]
        for change in part["items"]:
            said = change["detail"]
            months(weirbook, names, said["first_day"], said["last_day"], site=said["site_id"])


if __name__ == "__main__":
    main()
