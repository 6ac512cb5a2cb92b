"""Live viewers beside intake: what a thousand of them cost, and whether a reading is lost or late."""

import tempfile
import time

from processes import LOAD_CORE, Process, broker

# Viewers of one site that read, and beside them some that never do: the tabs that a phone put to sleep.
COUNTS = [(0, 0), (200, 10), (1_000, 50)]
SITES, RATE, SECONDS = 53, 1_000, 30
WARM_S = 4

HEADS = ["viewers", "us a message", "times none", "MB", "published p99, ms", "seen p50, ms", "seen p99, ms", "seen by the last"]


def once(options, subject, publish, viewers, stalled):
    """One run with so many viewers; it fails if a reading is missing."""
    # Long enough for the viewers to come, and to see the broker's own subscriber beside them.
    lasts = WARM_S + SECONDS + 20
    messages = RATE * lasts
    with tempfile.TemporaryDirectory() as directory, broker(directory) as server:
        with subject(options, "panelwright", server.port, "plain", SITES, 0, directory) as daemon:
            with publish(options, server.port, "plain", 1, RATE, messages, SITES, directory) as publisher:
                time.sleep(WARM_S)
                watched = watch(options, daemon, server, directory, viewers, stalled)
                publisher.answer(patience=lasts + 60)
            daemon.until("all received", lambda: daemon.counter("readings_accepted") >= messages)
            accepted = daemon.counter("readings_accepted")
            if accepted != messages:
                daemon.fail(f"{accepted} of {messages} readings accepted")
    return watched


def watch(options, daemon, server, directory, viewers, stalled):
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
            before, began = daemon.cpu_ns(), time.monotonic()
            time.sleep(SECONDS - 10)
            spent, seconds = daemon.cpu_ns() - before, time.monotonic() - began
            rss = daemon.status_kb("VmRSS")
            published = listener.answer(patience=SECONDS + 60)["late_ms"]
            seen = watching.answer(patience=SECONDS + 60)
    return {"us": spent / 1e3 / (RATE * seconds), "rss_mb": rss / 1024, "published_ms": published, "seen": seen}


def measure(options, subject, publish):
    return {viewers: once(options, subject, publish, viewers, stalled) for viewers, stalled in COUNTS}


def rows(results):
    none = results[0]["us"]
    table = []
    for viewers, of in results.items():
        late, events = of["seen"]["late_ms"], of["seen"]["events"]
        row = [f"{viewers:,}", f"{of['us']:.1f}", f"{of['us'] / none:.2f}", f"{of['rss_mb']:.1f}", of["published_ms"]["p99"]]
        row += [late["p50"], late["p99"], f"{events['p50']:.0f} events"] if late else ["-", "-", "-"]
        table.append(row)
    return table
