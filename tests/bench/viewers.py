"""Live viewers beside intake: what a thousand of them cost, and whether a reading is lost or late."""

import json
import os
import tempfile
import time

from processes import LOAD_CORE, Process, broker, free_port, get

# Viewers of one site that read, and beside them some that never do: the tabs that a phone put to sleep.
COUNTS = [(0, 0), (100, 5), (1_000, 50)]
SITES, RATE, SECONDS = 53, 1_000, 30
WARM_S = 4
# A commit a second: with more between them, waiting for it would be all that is seen of an acknowledgement.
COMMIT_S = 1

HEADS = ["viewers", "us a message", "times none", "MB", "acknowledged p50, ms", "p99, ms", "a commit, ms"]
HEADS += ["published p99, ms", "seen p50, ms", "seen p99, ms", "events each", "load"]


def once(options, subject, publish, viewers, stalled):
    """One run with so many viewers; it fails if a reading is missing."""
    # Long enough for the viewers to come, and to see the broker's own subscriber beside them.
    lasts = WARM_S + SECONDS + 20
    messages = RATE * lasts
    with tempfile.TemporaryDirectory() as directory, broker(directory) as server:
        port = free_port()
        command = [options.load, "relay", "--port", port, "--broker", server.port]
        with Process("relay", command, directory, LOAD_CORE) as relay:
            relay.ready()
            with subject(options, "panelwright", port, "plain", SITES, 0, directory, COMMIT_S) as daemon:
                with publish(options, server.port, "plain", 1, RATE, messages, SITES, directory) as publisher:
                    time.sleep(WARM_S)
                    watched = watch(options, daemon, (relay, server), directory, viewers, stalled)
                    publisher.answer(patience=lasts + 60)
                daemon.until("all received", lambda: daemon.counter("readings_accepted") >= messages)
                accepted = daemon.counter("readings_accepted")
                if accepted != messages:
                    daemon.fail(f"{accepted} of {messages} readings accepted")
    return watched


def commits(daemon):
    """Seconds that commits took, and how many there were."""
    lines = dict(line.rsplit(" ", 1) for line in get(daemon.url + "/metrics").decode().splitlines() if line[0] != "#")
    return [float(lines[f"panelwright_commit_seconds_{what}"]) for what in ["sum", "count"]]


def acknowledged(relay, since_ms, until_ms):
    """How many ms each message waited for its acknowledgement, of those acknowledged within that time."""
    lines = [json.loads(line) for line in relay.out.read_text().splitlines()]
    waits = sorted(ms for line in lines if since_ms < line["at_ms"] <= until_ms for ms in line["acknowledged_ms"])
    if not waits:
        relay.fail("no message was acknowledged")
    return {name: waits[round((len(waits) - 1) * part)] for name, part in [("p50", 0.5), ("p99", 0.99), ("max", 1)]}


def watch(options, daemon, between, directory, viewers, stalled):
    relay, server = between
    port = daemon.url.rsplit(":", 1)[1]
    look = [options.load, "viewers", "--port", port, "--site", "s0000", "--seconds", SECONDS]
    look += ["--viewers", viewers, "--stalled", stalled]
    listen = [options.load, "latency", "--port", server.port, "--filter", "panelwright/s0000/now"]
    listen += ["--messages", SECONDS - 5]
    with Process("viewers", look, directory, LOAD_CORE) as watching:
        watching.ready()
        with Process("latency", listen, directory, LOAD_CORE) as listener:
            listener.ready()
            # The same window for all: what starting cost is over.
            took, many = commits(daemon)
            before, began, since_ms = daemon.cpu_ns(), time.monotonic(), time.time() * 1e3
            time.sleep(SECONDS - 10)
            spent, seconds, until_ms = daemon.cpu_ns() - before, time.monotonic() - began, time.time() * 1e3
            took, many = (after - first for after, first in zip(commits(daemon), (took, many)))
            rss = daemon.status_kb("VmRSS")
            published = listener.answer(patience=SECONDS + 60)["late_ms"]
            seen = watching.answer(patience=SECONDS + 60)
            waited = acknowledged(relay, since_ms, until_ms)
    figures = {"us": spent / 1e3 / (RATE * seconds), "rss_mb": rss / 1024, "commit_ms": 1e3 * took / max(many, 1)}
    return {**figures, "acknowledged_ms": waited, "published_ms": published, "seen": seen, "load": os.getloadavg()[0]}


def measure(options, subject, publish):
    return {viewers: once(options, subject, publish, viewers, stalled) for viewers, stalled in COUNTS}


def rows(results):
    none = results[0]["us"]
    table = []
    for viewers, of in results.items():
        late, events, waited = of["seen"]["late_ms"], of["seen"]["events"], of["acknowledged_ms"]
        row = [f"{viewers:,}", f"{of['us']:.1f}", f"{of['us'] / none:.2f}", f"{of['rss_mb']:.1f}"]
        row += [f"{waited['p50']:.0f}", f"{waited['p99']:.0f}", f"{of['commit_ms']:.1f}", of["published_ms"]["p99"]]
        row += [late["p50"], late["p99"], f"{events['p50']:.0f}"] if late else ["-", "-", "-"]
        table.append([*row, f"{of['load']:.1f}"])
    return table
