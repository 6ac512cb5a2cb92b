"""The script that a hobbyist would write: paho-mqtt in, sqlite3 out, one commit a second.

It stores what comes and derives nothing: no totals, no untracked, no coverage, no republishing.
"""

import json
import sqlite3
import sys
import time

import paho.mqtt.client as mqtt

port, database, expected = int(sys.argv[1]), sys.argv[2], int(sys.argv[3])
db = sqlite3.connect(database)
db.execute("pragma journal_mode = wal")
db.execute("create table reading (channel text, ts real, watts real)")
rows, received, committed = [], 0, time.monotonic()


def store():
    global rows, committed
    db.executemany("insert into reading values (?, ?, ?)", rows)
    db.commit()
    rows, committed = [], time.monotonic()


def on_message(client, userdata, message):
    global received
    if message.payload[:1] == b"{":
        body = json.loads(message.payload)
        site = message.topic.split("/")[1]
        for channel, watts in body["channels"].items():
            rows.append((site + "/" + channel, body["ts"], watts))
    else:
        rows.append((message.topic, time.time(), float(message.payload)))
    received += 1
    if received == expected or time.monotonic() - committed > 1:
        store()
    if received == expected:
        print(json.dumps({"received": received, "ended_ms": time.time() * 1e3}), flush=True)
        client.disconnect()


def on_subscribe(*arguments):
    print("ready", file=sys.stderr, flush=True)


client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
client.on_message = on_message
client.on_connect = lambda *arguments: client.subscribe("bench/#", 1)
client.on_subscribe = on_subscribe
client.connect("127.0.0.1", port)
client.loop_forever()
