"""Two hundred invented sites, and what their water and their bills come to.

Written apart from the service's code, in decimals and in time zones of the system, to hold the
service against. From definitions are these: a step is spread evenly over its seconds and cut at
local midnights; where the site says when it works, a step of a dial that people read is spread evenly
over those hours instead, and where a register counts the dial's pulses, by them; where the dial was
not read yet or is no longer, its pulses count themselves; water recycled is wash less make-up less rain plus the change of storage; a bill
is the sum of its lines, and what less water saves is the difference of two bills.

Where a bill rounds is the service's own choice, followed here so that totals agree to the cent:
each line to the cent and the sewage to a millionth of the unit, by the halves that the tariff
names (`rounding`, in the API's document); a version's share of the cycle to ten decimals (said in
domain/src/tariff/prices.rs) and volumes to a millionth of the unit (domain/src/tariff/scaled.rs).
Used volumes round a half up, shares, bounds of blocks and caps to even: that stands in no document,
and is as the service does it. So an error in these choices would not show here.

One JSON object for each site goes to standard output, the site and its figures together.
"""

import json
import random
import sys
from bisect import bisect_right
from datetime import date, datetime, timedelta, timezone
from decimal import ROUND_HALF_EVEN, ROUND_HALF_UP, Decimal, getcontext
from zoneinfo import ZoneInfo

import pandas as pd

getcontext().prec = 50
SITES = 200
ZONES = ["Europe/Vienna", "America/New_York", "Australia/Lord_Howe", "Asia/Kolkata", "America/Santiago"]

# Litres: the inch is 25.4 mm, the gallon 231 cubic inches, the foot 12 inches.
INCH3 = Decimal("2.54") ** 3 / 1000
LITRES = {
    "l": Decimal(1),
    "m3": Decimal(1000),
    "us_gal": 231 * INCH3,
    "kgal": 231_000 * INCH3,
    "ft3": 1728 * INCH3,
    "ccf": 172_800 * INCH3,
}
# When a site works: the stretch of each weekday on the local clock, Monday first.
LONG, SHORT = {"opens": "06:30:00", "closes": "16:45:00"}, {"opens": "07:00:00", "closes": "12:00:00"}
CALENDARS = [
    [],
    [{"from": "2025-03-15", "hours": [LONG] * 5 + [None, None], "closed": ["2025-05-01", "2025-06-09"]}],
    [
        {"from": "2025-01-01", "to": "2025-06-02", "hours": [None] + [LONG] * 4 + [SHORT, None], "closed": []},
        {"from": "2025-06-02", "hours": [SHORT] * 6 + [None], "closed": ["2025-08-15"]},
    ],
]
HALVES = {"half_up": ROUND_HALF_UP, "half_even": ROUND_HALF_EVEN}


def midnights(zone, first, last):
    """POSIX seconds at which the local days from first to last begin, and the days."""
    days = [first + timedelta(days=n) for n in range((last - first).days + 2)]
    starts = [int(datetime(day.year, day.month, day.day, tzinfo=zone).timestamp()) for day in days]
    return days, starts


def worked(zone, calendar):
    """A weight: working seconds between two instants; None where nobody said when the site works."""

    def hours(day):
        for stretch in calendar:
            if stretch["from"] <= str(day) and ("to" not in stretch or str(day) < stretch["to"]):
                closed = str(day) in stretch["closed"]
                return None if closed else stretch["hours"][day.weekday()], True
        return None, False

    def instant_of(day, clock):
        hour, minute, _ = (int(part) for part in clock.split(":"))
        return int(datetime(day.year, day.month, day.day, hour, minute, tzinfo=zone).timestamp())

    def weight(begin, end):
        day = datetime.fromtimestamp(begin, zone).date()
        last = datetime.fromtimestamp(end - 1, zone).date()
        seconds = 0
        while day <= last:
            stretch, known = hours(day)
            if not known:
                return None
            if stretch:
                opens, closes = instant_of(day, stretch["opens"]), instant_of(day, stretch["closes"])
                seconds += max(min(end, closes) - max(begin, opens), 0)
            day += timedelta(days=1)
        return seconds

    return weight


def pulsed(steps):
    """A weight: what pulses counted between two instants, those of one gap spread evenly over it."""
    ends, counted = [steps[0][0]], [Decimal(0)]
    for _, end, litres in steps:
        ends.append(end)
        counted.append(counted[-1] + litres)

    def until(at):
        place = bisect_right(ends, at) - 1
        if place + 1 == len(ends):
            return counted[-1]
        gap = Decimal(at - ends[place]) / (ends[place + 1] - ends[place])
        return counted[place] + (counted[place + 1] - counted[place]) * gap

    return lambda begin, end: until(end) - until(begin)


def clipped(steps, begin, end):
    """What of these steps lies between two instants, spread evenly."""
    parts = [(max(a, begin), min(b, end), a, b, litres) for a, b, litres in steps if a < end and b > begin]
    return [(lo, hi, litres * (hi - lo) / (b - a)) for lo, hi, a, b, litres in parts]


def spread(zone, steps, weight=None):
    """Litres by local day of steps (from, to, litres), as rows of a table."""
    first = datetime.fromtimestamp(min(step[0] for step in steps), zone).date()
    last = datetime.fromtimestamp(max(step[1] for step in steps), zone).date()
    days, starts = midnights(zone, first, last)
    rows = []
    for begin, end, litres in steps:
        whole = weight(begin, end) if weight else None
        by = weight if whole else lambda begin, end: end - begin
        at = bisect_right(starts, begin) - 1
        while starts[at] < end:
            part = by(max(begin, starts[at]), min(end, starts[at + 1]))
            rows.append((days[at], litres * part / (whole or end - begin)))
            at += 1
    return pd.DataFrame(rows, columns=["day", "litres"])


def meter(rng, stream, zone, calendar):
    """A register read at random instants of 2025, with its steps in litres."""
    unit = rng.choice(["l", "m3", "us_gal", "ft3"])
    multiplier = rng.choice([1, 10]) if unit in ("m3", "ft3") else rng.choice([1, 10, 100])
    count = LITRES[unit] * multiplier
    decimals = 3 if unit == "m3" and multiplier == 1 else 0
    per_day = Decimal(rng.randint(2_000, 9_000)) / count
    digits = 6 if per_day * 400 * 3 < 10**6 else 8
    by_hand = rng.random() < 0.6
    start = int(datetime(2025, rng.randint(1, 3), rng.randint(1, 28), rng.randint(0, 23), 13, 7, tzinfo=timezone.utc).timestamp())
    near_the_end = rng.random() < 0.4
    register = Decimal(10**digits) - per_day * 100 if near_the_end else per_day * rng.randint(5, 50)
    register = register.quantize(Decimal(1).scaleb(-decimals))
    readings, exchanges, steps = [(start, register)], [], []
    at = start
    for _ in range(rng.randint(8, 30) if by_hand else rng.randint(200, 700)):
        gap = rng.randint(5 * 86_400, 15 * 86_400) if by_hand else rng.choice([900, 3600, 3600, 5400, 86_400])
        use = per_day * gap / 86_400 * Decimal(rng.randint(70, 130)) / 100
        use = use.quantize(Decimal(1).scaleb(-decimals), ROUND_HALF_UP)
        end = at + gap
        if by_hand and rng.random() < 0.05:
            # A new register in between: what the old one still counted, then the new one.
            middle = at + gap // 3
            before = (use / 3).quantize(Decimal(1).scaleb(-decimals), ROUND_HALF_UP)
            old_final = register + before
            if old_final < 10**digits:
                new_start = Decimal(rng.choice([0, 0, 25]))
                exchanges.append((middle, old_final, new_start))
                steps += [(at, middle, before * count), (middle, end, (use - before) * count)]
                register = new_start + use - before
                readings.append((end, register))
                at = end
                continue
        register = (register + use) % 10**digits
        readings.append((end, register))
        steps.append((at, end, use * count))
        at = end
    return {
        "stream": stream,
        "facts": {
            "stream": stream,
            "unit": unit,
            "multiplier": multiplier,
            "digits": digits,
            "resolution": float(Decimal(1).scaleb(-decimals)),
            "max_flow_per_h": 3000,
            "read_by": "technician" if by_hand else "telemetry",
            "exchanges": [
                {"at": instant(at), "old_final": float(final), "new_start": float(new)} for at, final, new in exchanges
            ],
        },
        "readings": [[instant(at), str(register)] for at, register in readings],
        "steps": steps,
        "litres": spread(zone, steps, worked(zone, calendar) if by_hand and calendar else None),
    }


def pulses(rng, zone, dial):
    """A register that counts a dial's pulses from before its first reading until after its last."""
    count = LITRES["l"] * 10
    first, last = dial["steps"][0][0], dial["steps"][-1][1]
    per_gap = max(int(sum(step[2] for step in dial["steps"]) / count * 21_600 / (last - first)), 4)
    at, register = first - rng.randint(3, 40) * 21_600 - 777, rng.randint(0, 500)
    readings, steps = [(at, register)], []
    while at < last + 5 * 86_400:
        more = rng.randint(per_gap // 2, per_gap * 3 // 2)
        steps.append((at, at + 21_600, more * count))
        at, register = at + 21_600, register + more
        readings.append((at, register))
    before, after = clipped(steps, steps[0][0], first), clipped(steps, last, at)
    dial["litres"] = spread(zone, dial["steps"], pulsed(steps))
    beside = pd.concat([spread(zone, part) for part in (before, after)])
    dial["total_l"] = float(dial["litres"]["litres"].sum())
    dial["litres"] = pd.concat([dial["litres"], beside])
    facts = {"stream": dial["stream"], "unit": "l", "multiplier": 10, "digits": 8, "read_by": "telemetry"}
    return {
        "stream": dial["stream"],
        "facts": facts | {"max_flow_per_h": 30_000},
        "readings": [[instant(at), str(register)] for at, register in readings],
        "litres": spread(zone, steps),
    }


def instant(at):
    return datetime.fromtimestamp(at, timezone.utc).isoformat()


def price(rng, low, high, decimals):
    return Decimal(rng.randint(low * 10**decimals, high * 10**decimals)).scaleb(-decimals)


def blocks(rng):
    bounds = sorted({Decimal(rng.randint(5, 400)) for _ in range(rng.randint(0, 3))})
    made = [{"up_to": str(bound), "price": str(price(rng, 0, 6, rng.choice([2, 3, 4])))} for bound in bounds]
    return made + [{"price": str(price(rng, 0, 6, 4))}]


def version(rng, since):
    made = {
        "from": since,
        "unit": rng.choice(["m3", "kgal", "ccf"]),
        "per": rng.choice(["month", "cycle"]),
        "water": {
            "fixed": [{"code": "base", "words": "Base charge", "price": str(price(rng, 0, 90, 2))}],
            "allowance": str(rng.choice([0, 0, 8])),
            "blocks": blocks(rng),
        },
        "taxes": [{"code": "tax", "words": "Tax", "percent": str(price(rng, 0, 20, 2)), "of": ["base", "water_use"]}],
    }
    if rng.random() < 0.7:
        by_winter = {"winter_average": {"months": [12, 1, 2], "lower_of_actual": rng.random() < 0.5}}
        by_share = {"return_factor": str(rng.choice(["1", "0.9", "0.85", "0.775"]))}
        made["sewer"] = {"blocks": blocks(rng), "volume": by_winter if rng.random() < 0.4 else by_share}
        if rng.random() < 0.4:
            charge = {"code": "solids", "words": "Suspended solids", "pollutant": "tss"}
            charge |= {"threshold_mg_per_l": str(rng.choice([0, 250, 300])), "price": str(price(rng, 0, 3, 3))}
            made["sewer"]["strength"] = [charge | {"per": rng.choice(["kg", "lb"])}]
        if rng.random() < 0.3:
            made["sewer"]["cap"] = str(rng.randint(50, 300))
        made["taxes"][0]["of"].append("sewer_use")
    if rng.random() < 0.4:
        made["surcharges"] = [
            {"code": "renewal", "words": "Renewal", "price": str(price(rng, 0, 9, 2))},
            {"code": "fuel", "words": "Pumping", "percent": str(price(rng, 0, 9, 1)), "of": ["water_use"]},
        ]
    if rng.random() < 0.3:
        made["minimum_bill"] = str(rng.randint(20, 300))
    return made


def stepped(volume, steps, above, scale, cents):
    """The amounts of a volume's blocks; a bound belongs to the block below it."""
    floor, amounts = Decimal(0), []
    for step in steps:
        low = max(floor, above)
        top = Decimal(step["up_to"]) if "up_to" in step else None
        floor = top if top is not None else Decimal("Infinity")
        if floor <= low:
            continue
        low_scaled = (low * scale).quantize(MILLIONTH, ROUND_HALF_EVEN)
        top_scaled = volume if top is None else (top * scale).quantize(MILLIONTH, ROUND_HALF_EVEN)
        quantity = max(min(volume, top_scaled) - low_scaled, Decimal(0))
        amounts.append(cents(quantity * Decimal(step["price"])))
    return amounts


MILLIONTH = Decimal("0.000001")
# Kilograms of a unit of mass; the pound by its definition.
KG = {"kg": Decimal(1), "lb": Decimal("0.45359237")}


def bill(tariff, cycle, months, litres, winter, solids):
    """The total of a bill: each line rounded, then summed."""
    halves = HALVES[tariff["rounding"]]
    cents = lambda amount: amount.quantize(Decimal("0.01"), halves)
    begin, end = cycle
    total, least = Decimal(0), None
    for made in tariff["versions"]:
        since = max(date.fromisoformat(made["from"]), begin)
        until = min(date.fromisoformat(made["to"]), end) if "to" in made else end
        days = (until - since).days
        if days <= 0:
            continue
        share = (Decimal(days) / (end - begin).days).quantize(Decimal("1e-10"), ROUND_HALF_EVEN)
        scale = share * months if made["per"] == "month" else share
        used = (litres / LITRES[made["unit"]] * days / (end - begin).days).quantize(MILLIONTH, ROUND_HALF_UP)
        water = made["water"]
        lines = {"base": cents(Decimal(water["fixed"][0]["price"]) * scale)}
        lines["water_use"] = sum(stepped(used, water["blocks"], Decimal(water["allowance"]), scale, cents))
        if "sewer" in made:
            sewer = made["sewer"]
            if "return_factor" in sewer["volume"]:
                sewage = (used * Decimal(sewer["volume"]["return_factor"])).quantize(MILLIONTH, halves)
            else:
                sewage = winter * months / LITRES[made["unit"]] * days / (end - begin).days
                sewage = sewage.quantize(MILLIONTH, ROUND_HALF_UP)
                if sewer["volume"]["winter_average"]["lower_of_actual"]:
                    sewage = min(sewage, used)
            if "cap" in sewer:
                sewage = min(sewage, (Decimal(sewer["cap"]) * scale).quantize(MILLIONTH, ROUND_HALF_EVEN))
            lines["sewer_use"] = sum(stepped(sewage, sewer["blocks"], Decimal(0), scale, cents))
            for charge in sewer.get("strength", []):
                above = max(solids - Decimal(charge["threshold_mg_per_l"]), Decimal(0))
                mass = above * LITRES[made["unit"]] / 1_000_000 / KG[charge["per"]]
                mass = mass.quantize(Decimal("1e-12"), ROUND_HALF_EVEN) * sewage
                lines[charge["code"]] = cents(mass.quantize(MILLIONTH, halves) * Decimal(charge["price"]))
        for more in made.get("surcharges", []):
            if "price" in more:
                lines[more["code"]] = cents(Decimal(more["price"]) * scale)
            else:
                lines[more["code"]] = cents(sum(lines[of] for of in more["of"]) * Decimal(more["percent"]) / 100)
        for tax in made["taxes"]:
            lines[tax["code"]] = cents(sum(lines[of] for of in tax["of"]) * Decimal(tax["percent"]) / 100)
        total += sum(lines.values())
        if "minimum_bill" in made:
            least = (least or Decimal(0)) + Decimal(made["minimum_bill"]) * scale
    if least is not None:
        total = max(total, cents(least))
    return total


def account(rng, avoided, used):
    """A tariff, a cycle and what two uses cost on it."""
    months = rng.choice([1, 1, 2, 3])
    begin = date(2025, rng.randint(1, 9), 1)
    end = date(begin.year, begin.month + months, 1)
    versions = [version(rng, "2024-01-01")]
    if rng.random() < 0.4:
        change = str(begin + timedelta(days=rng.randint(1, (end - begin).days - 1)))
        versions[0]["to"] = change
        versions.append(version(rng, change))
    tariff = {"name": "City", "currency": "EUR", "rounding": rng.choice(sorted(HALVES)), "versions": versions}
    other = Decimal(rng.choice([0, 120_000, 900_000]))
    actual, baseline = other + used, other + used + avoided
    winter, solids = Decimal(rng.randint(5, 900) * 1000), Decimal(rng.choice([180, 310, 520]))
    before, after = (bill(tariff, (begin, end), months, use, winter, solids) for use in (baseline, actual))
    return {
        "tariff": tariff,
        "from": str(begin),
        "cycle_months": months,
        "winter_l": str(winter),
        "tss_mg_per_l": str(solids),
        "use_l": str(actual),
        "baseline_l": str(baseline),
        "bill": str(after),
        "saving": str(before - after),
    }


def site(n):
    rng = random.Random(f"site {n}")
    zone_name = ZONES[n % len(ZONES)]
    zone = ZoneInfo(zone_name)
    calendar = CALENDARS[n % len(CALENDARS)]
    name = f"site-{n:03}"
    meters = []
    for stream in ["makeup", "wash", "rinse"]:
        meters.append(meter(rng, stream, zone, calendar) | {"name": f"{name} {stream}"})
        if meters[-1]["facts"]["read_by"] == "technician" and rng.random() < 0.4:
            dial = meters[-1]
            counting = pulses(rng, zone, dial) | {"name": f"{dial['name']} pulses"}
            counting["facts"]["pulses_of"] = dial["name"]
            meters.append(counting)
    tables = []
    for one in meters:
        one.pop("steps", None)
        table = one.pop("litres")
        days = table.groupby("day")["litres"].sum()
        one["days"] = {str(day): float(litres) for day, litres in days.items()}
        one.setdefault("total_l", float(table["litres"].sum()))
        table["month"] = [day.strftime("%Y-%m") for day in table["day"]]
        if "pulses_of" not in one["facts"]:
            tables.append(table.groupby("month")["litres"].sum().rename(one["stream"]))
    months = pd.concat(tables, axis=1).dropna()
    balance = {}
    for month, row in months.iterrows():
        rain, storage = Decimal(rng.randint(0, 5_000)), Decimal(rng.randint(-4_000, 4_000))
        balance[month] = {
            "rain_l": float(rain),
            "storage_change_l": float(storage),
            "makeup_l": float(row["makeup"]),
            "wash_l": float(row["wash"]),
            "rinse_l": float(row["rinse"]),
            "recycled_l": float(row["wash"] - row["makeup"] - rain + storage),
            "fresh_used_l": float(row["makeup"] + row["rinse"]),
        }
    used = Decimal(rng.randint(1_000, 400_000))
    return {
        "name": name,
        "zone": zone_name,
        "working_hours": calendar,
        "meters": meters,
        "months": balance,
        "account": account(rng, Decimal(rng.randint(0, 300_000)), used),
    }


for n in range(SITES):
    json.dump(site(n), sys.stdout)
    print()
