"""Reads a store by what docs/store.md says, with nothing of this project: SQLite of Python's own, and
PyPI pcodec for the columns.

    read_store.py panelwright.db

Standard output: one JSON object a line. {"series", "readings": [[time, value], ...]} for each channel, sealed
or not, time in 0.1 s since 1970; {"series", "minutes": [[start, in, out, covered, low, high], ...]} for
each series; {"series", "quarters" | "hours" | "days" | "months": [...]} likewise.
"""

import json
import sqlite3
import sys
import zlib

from pcodec import standalone

SERIES = (1 << 24) - 1
HOUR, DAY = 36_000, 864_000


class Bytes:
    """Reads bytes from the front."""

    def __init__(self, data):
        self.data, self.at = data, 0

    @classmethod
    def checked(cls, body):
        if zlib.crc32(body[4:]) != int.from_bytes(body[:4], "little"):
            raise ValueError("checksum")
        if body[4] != 1:
            raise ValueError(f"format {body[4]}")
        return cls(body[5:])

    def take(self, count):
        if self.at + count > len(self.data):
            raise ValueError("it ends too early")
        self.at += count
        return self.data[self.at - count : self.at]

    def left(self):
        return len(self.data) - self.at

    def unsigned(self):
        value = shift = 0
        while True:
            byte = self.take(1)[0]
            value |= (byte & 0x7F) << shift
            shift += 7
            if byte < 0x80:
                return value

    def signed(self):
        raw = self.unsigned()
        return (raw >> 1) ^ -(raw & 1)

    def column(self, count):
        mode = self.take(1)[0]
        if mode == 0:
            first, step = self.signed(), self.signed()
            return [first + step * index for index in range(count)]
        if mode != 1:
            raise ValueError(f"mode {mode}")
        values = standalone.simple_decompress(self.take(self.unsigned())).tolist()
        if len(values) != count:
            raise ValueError("count")
        return values

    def end(self):
        if self.left():
            raise ValueError("bytes are left")


def readings_of_hour(hour, body):
    bytes_ = Bytes.checked(body)
    count, first, step = bytes_.unsigned(), bytes_.unsigned(), bytes_.unsigned()
    ticks, rests, values = (bytes_.column(count) for _ in range(3))
    bytes_.end()
    start = hour * HOUR + first
    return {start + step * tick + rest: value for tick, rest, value in zip(ticks, rests, values)}


def readings_of_day(day, body):
    bytes_, readings = Bytes(body), {}
    while bytes_.left():
        hour = bytes_.take(1)[0]
        readings |= readings_of_hour(day * 24 + hour, bytes_.take(bytes_.unsigned()))
    return readings


def minutes_of_day(day, body):
    bytes_ = Bytes.checked(body)
    count = bytes_.unsigned()
    columns = [bytes_.column(count) for _ in range(6)]
    bytes_.end()
    return [[day * DAY + minute * 600, *rest] for minute, *rest in zip(*columns)]


def journal_row(from_ds, body):
    """{series: {time: value}} of one commit."""
    bytes_, found = Bytes.checked(body), {}
    for _ in range(bytes_.unsigned()):
        _site, count, length = bytes_.unsigned(), bytes_.unsigned(), bytes_.unsigned()
        data, series, total = Bytes(bytes_.take(length)), 0, 0
        while data.left():
            series += data.unsigned()
            run = data.unsigned()
            times, time, value = [], from_ds, 0
            for _ in range(run):
                time += data.unsigned()
                times.append(time)
            for time in times:
                value += data.signed()
                found.setdefault(series, {})[time] = value
            total += run
        if total != count:
            raise ValueError("count")
    bytes_.end()
    return found


def main(path):
    db = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    (application,) = db.execute("PRAGMA application_id").fetchone()
    if application != 1347900244:
        raise SystemExit("not a store")
    names = dict(db.execute("SELECT id, name FROM series"))
    readings = {series: {} for series in names}
    joined = set()
    for key, body in db.execute("SELECT key, body FROM reading_day"):
        joined.add((key >> 24, key & SERIES))
        readings[key & SERIES] |= readings_of_day(key >> 24, body)
    for key, body in db.execute("SELECT key, body FROM reading_hour"):
        if ((key >> 24) // 24, key & SERIES) not in joined:
            readings[key & SERIES] |= readings_of_hour(key >> 24, body)
    for from_ds, body in db.execute("SELECT from_ds, body FROM journal ORDER BY seq"):
        for series, found in journal_row(from_ds, body).items():
            readings[series] |= found
    minutes = {series: [] for series in names}
    for key, body in db.execute("SELECT key, body FROM minute_block ORDER BY key"):
        minutes[key & SERIES] += minutes_of_day(key >> 24, body)
    for series, name in names.items():
        if not name.startswith("split:"):
            print(json.dumps({"series": name, "readings": sorted(readings[series].items())}))
        print(json.dumps({"series": name, "minutes": minutes[series]}))
        for table in ("quarter", "hour", "day", "month"):
            rows = db.execute(
                f"SELECT start_s * 10, energy_in, energy_out, covered, low, high FROM {table}"
                " WHERE series = ? ORDER BY start_s",
                [series],
            )
            print(json.dumps({"series": name, table + "s": rows.fetchall()}))


main(sys.argv[1])
