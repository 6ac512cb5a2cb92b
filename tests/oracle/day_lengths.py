"""Every local day, week and month that is longer or shorter than its days are of 24 h, by Python's
zoneinfo and the `tzdata` package.

Zone names come on standard input, one a line. Output, one a line:
    version <release of the IANA database>
    missing <zone>                          a zone that this release does not have
    day <zone> <date> <seconds>             a day from 1970 to 2037 that does not last 86,400 s
    week, month, year, billing <zone> <date of its first day> <seconds>
                                            likewise; a billing month starts on the 17th
A day starts at the first moment at which the local date is that day or later.
"""

import datetime
import importlib.resources
import sys
import zoneinfo

import tzdata

# The package alone: the system's files may be of another release.
zoneinfo.reset_tzpath(to=[])

UTC = datetime.timezone.utc
DAY = datetime.timedelta(days=1)
FIRST = datetime.date(1970, 1, 2)
LAST = datetime.date(2037, 12, 30)


def local_date(zone, seconds):
    return datetime.datetime.fromtimestamp(seconds, zone).date()


def start(zone, date):
    """Seconds since 1970 at which the local date is first `date` or later."""
    midnight = datetime.datetime(date.year, date.month, date.day, tzinfo=zone)
    seconds = round(midnight.timestamp())
    back = datetime.datetime.fromtimestamp(seconds, zone)
    if back.replace(tzinfo=None, fold=0) == midnight.replace(tzinfo=None):
        return seconds
    # The clock jumps over midnight: the jump itself.
    low, high = seconds - 2 * 86400, seconds
    while high - low > 1:
        middle = (low + high) // 2
        if local_date(zone, middle) >= date:
            high = middle
        else:
            low = middle
    return high


def odd_days(zone):
    """(date, seconds) of the days that do not last 24 h."""
    found = []
    one = datetime.datetime(FIRST.year, FIRST.month, FIRST.day, tzinfo=UTC)
    end = datetime.datetime(LAST.year, LAST.month, LAST.day, tzinfo=UTC)
    before = one.astimezone(zone).utcoffset()
    near = set()
    while one <= end:
        offset = one.astimezone(zone).utcoffset()
        if offset != before:
            near.update(one.date() + n * DAY for n in range(-3, 4))
        before = offset
        one += DAY
    for date in sorted(near):
        length = start(zone, date + DAY) - start(zone, date)
        if length != 86400 and FIRST <= date < LAST:
            found.append((date, length))
    return found


def runs_of(date):
    """(kind, first day, first day of the next) of the longer intervals that hold the date."""
    monday = date - date.weekday() * DAY
    yield "week", monday, monday + 7 * DAY
    first = date.replace(day=1)
    yield "month", first, (first + 31 * DAY).replace(day=1)
    yield "year", date.replace(month=1, day=1), date.replace(year=date.year + 1, month=1, day=1)
    seventeenth = date.replace(day=17)
    if date < seventeenth:
        seventeenth = (first - DAY).replace(day=17)
    yield "billing", seventeenth, (seventeenth.replace(day=1) + 31 * DAY).replace(day=17)


def odd_runs(zone, odd):
    """(kind, first day, seconds) of the longer intervals that are not as long as their number of days."""
    runs = {run for date, _ in odd for run in runs_of(date)}
    for kind, first, after in sorted(runs):
        # Those that reach beyond the years looked at are left out on both sides.
        if datetime.date(1971, 1, 1) <= first and after <= datetime.date(2037, 1, 1):
            length = start(zone, after) - start(zone, first)
            if length != (after - first).days * 86400:
                yield kind, first, length


def main():
    print("version", tzdata.IANA_VERSION)
    known = {}
    for name in sys.stdin.read().split():
        try:
            data = importlib.resources.files("tzdata.zoneinfo").joinpath(*name.split("/")).read_bytes()
        except (FileNotFoundError, IsADirectoryError, NotADirectoryError):
            print("missing", name)
            continue
        # Many names are links to the same zone.
        if data not in known:
            zone = zoneinfo.ZoneInfo(name)
            odd = odd_days(zone)
            known[data] = [("day", *one) for one in odd] + list(odd_runs(zone, odd))
        for kind, date, seconds in known[data]:
            print(kind, name, date.isoformat(), seconds)


main()
