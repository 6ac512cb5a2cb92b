"""Reads an ESPI file with greenbutton-objects 2024.7.11 and prints what it finds, as JSON.

Usage: interval_data.py FILE. For each usage point: its title, how many blocks and readings, the sum in Wh, and the
blocks as (start, seconds, readings).
"""

import json
import sys

from greenbutton_objects import parse

points = []
for point in parse.parse_feed(sys.argv[1]):
    for meter in point.meterReadings:
        readings = list(meter.intervalReadings)
        blocks = [
            (int(b.interval.start.timestamp()), int(b.interval.duration.total_seconds()), len(b.intervalReadings))
            for b in meter.intervalBlocks
        ]
        points.append({
            "title": point.title,
            "uom": meter.readingType.uom.value,
            "flow": meter.readingType.flowDirection.value,
            "readings": len(readings),
            "wh": round(sum(r.value for r in readings), 3),
            "blocks": blocks,
        })
json.dump(points, sys.stdout)
