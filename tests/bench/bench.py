"""The benchmarks: see `tests/bench/run --help`. Prints tables; writes all figures as JSON."""

import argparse
import http.client
import json
import os
import platform
import random
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from datetime import date, timedelta
from pathlib import Path

import maps
import viewers
from processes import LOAD_CORE, SUBJECT_CORE, Daemon, Process, broker, free_port

HERE = Path(__file__).resolve().parent
SUBJECTS = ["bare subscriber", "panelwright", "script"]
CASES = [("plain", 0), ("plain", 1), ("json", 0), ("json", 1)]

RATE = 1_000
WARM_S, WINDOW_S = 4, 15
# Plain: as many homes as make 1,000 messages a second of 19 channels at 1 Hz. JSON: one message a
# second from each of 1,000 homes.
FIXED_SITES = {"plain": 53, "json": 1_000}
# As fast as it goes, a thousand homes take turns: with fewer, several readings of a channel would
# fall into one tenth of a second, and be one.
FLOOD_SITES = 1_000
# Few enough that the queue of a flooded Mosquitto does not become what is measured: docs/benchmarks.md.
FLOOD_MESSAGES = {"plain": 200_000, "json": 60_000}


def publish(options, port, kind, qos, rate, messages, sites, directory):
    command = [options.load, "publish", "--port", port, "--kind", kind, "--qos", qos]
    command += ["--rate", rate, "--messages", messages, "--sites", sites]
    return Process("publisher", command, directory, LOAD_CORE)


def subject(options, name, port, kind, sites, expect, directory, commit_every_s=5):
    """Starts what is measured; ready when it returns."""
    directory = Path(directory)
    if name == "panelwright":
        web = free_port()
        settings = maps.write(directory, port, web, kind, sites, commit_every_s)
        return Daemon(options.binary, settings, directory, web)
    if name == "script":
        command = [options.python, HERE / "hobby.py", port, directory / "hobby.db", expect]
    else:
        command = [options.load, "count", "--port", port, "--expect", expect]
    process = Process(name.replace(" ", "-"), command, directory, SUBJECT_CORE)
    process.ready()
    return process


def fixed(options, name, kind, qos):
    """us of a core a message, at a fixed rate."""
    messages = RATE * (WARM_S + WINDOW_S + 1)
    with tempfile.TemporaryDirectory() as directory, broker(directory) as server:
        with subject(options, name, server.port, kind, FIXED_SITES[kind], messages + 1, directory) as measured:
            sites = FIXED_SITES[kind]
            with publish(options, server.port, kind, qos, RATE, messages, sites, directory) as publisher:
                time.sleep(WARM_S)
                before, began = measured.cpu_ns(), time.monotonic()
                time.sleep(WINDOW_S)
                spent, seconds = measured.cpu_ns() - before, time.monotonic() - began
                rss = measured.status_kb("VmRSS")
                publisher.answer()
            if name == "panelwright":
                measured.until("all received", lambda: measured.counter("messages_received") >= messages)
                accepted = measured.counter("readings_accepted")
                expected = messages * (19 if kind == "json" else 1)
                if accepted != expected:
                    measured.fail(f"{accepted} of {expected} readings accepted")
    return {"us": spent / 1e3 / (RATE * seconds), "rss_mb": rss / 1024}


def flood(options, name, kind, qos):
    """Messages a second, as fast as it goes; for the daemon until the last reading is on the disk."""
    messages = FLOOD_MESSAGES[kind]
    with tempfile.TemporaryDirectory() as directory, broker(directory) as server:
        # A commit a second, as the script has it: waiting for the last one must not be most of the run.
        with subject(options, name, server.port, kind, FLOOD_SITES, messages, directory, 1) as measured:
            with publish(options, server.port, kind, qos, 0, messages, FLOOD_SITES, directory) as publisher:
                if name == "panelwright":
                    readings = messages * (19 if kind == "json" else 1)
                    done = lambda: measured.counter("readings_committed") >= readings
                    # Asking is work for the daemon too: its metrics of a thousand sites are 100 kB.
                    measured.until("all committed", done, patience=300, every=0.25)
                    ended = time.time() * 1e3
                else:
                    ended = measured.answer()["ended_ms"]
                started = publisher.answer()["started_ms"]
    return {"per_s": messages / (ended - started) * 1e3}


def memory(options, sites, seconds):
    """RSS of the daemon with so many sites of 19 channels at 1 Hz, after some minutes have closed."""
    with tempfile.TemporaryDirectory() as directory, broker(directory) as server:
        with subject(options, "panelwright", server.port, "json", sites, 0, directory) as daemon:
            idle = daemon.status_kb("VmRSS")
            with publish(options, server.port, "json", 1, sites, sites * seconds, sites, directory) as publisher:
                publisher.answer(patience=seconds + 60)
                rss, peak = daemon.status_kb("VmRSS"), daemon.status_kb("VmHWM")
    return {"idle_mb": idle / 1024, "rss_mb": rss / 1024, "peak_mb": peak / 1024}


def latency(options, seconds):
    """ms from the tick that a live figure is of until a subscriber has it."""
    with tempfile.TemporaryDirectory() as directory, broker(directory) as server:
        with subject(options, "panelwright", server.port, "json", 1, 0, directory):
            command = [options.load, "latency", "--port", server.port, "--filter", "panelwright/+/now"]
            command += ["--messages", seconds - 10]
            with Process("latency", command, directory, LOAD_CORE) as listener:
                listener.ready()
                with publish(options, server.port, "json", 1, 1, seconds, 1, directory):
                    return listener.answer(patience=seconds + 60)["late_ms"]


def writing(options, seconds):
    """Bytes that reach the disk, one site of 19 channels at 1 Hz, every ten seconds."""
    samples = []
    with tempfile.TemporaryDirectory(dir=options.scratch) as directory, broker(directory) as server:
        with subject(options, "panelwright", server.port, "json", 1, 0, directory) as daemon:
            with publish(options, server.port, "json", 1, 1, seconds + 30, 1, directory):
                began = time.monotonic()
                while time.monotonic() - began < seconds:
                    size = sum(file.stat().st_size for file in (Path(directory) / "store").iterdir())
                    samples.append([time.time(), daemon.written(), size])
                    time.sleep(10)
    (first, before, _), (last, after, size) = samples[0], samples[-1]
    return {"mb_a_day": (after - before) / (last - first) * 86_400 / 1e6, "store_bytes": size, "samples": samples}


# A screen of history, and what it is cut into.
# Views of the API by how many days they span, and pages by the span that their address names.
API = "/api/sites/heron-lane"
VIEWS = {
    "day by quarter": (1, API + "/history?from={start}&to={end}&by=quarter"),
    "week by hour": (7, API + "/history?from={start}&to={end}&by=hour"),
    "month by day": (30, API + "/history?from={start}&to={end}&by=day"),
    "month by day, beside the year before": (30, API + "/history?from={start}&to={end}&by=day&compare=year"),
    "year by day": (365, API + "/history?from={start}&to={end}&by=day"),
    "year by month": (365, API + "/history?from={start}&to={end}&by=month"),
    "typical day of four weeks": (28, API + "/profile?from={start}&to={end}"),
    "typical day of a year": (365, API + "/profile?from={start}&to={end}"),
    "ranking of a month": (30, API + "/rank?from={start}&to={end}"),
    "ranking of a year": (365, API + "/rank?from={start}&to={end}"),
}
PAGE = "/sites/heron-lane"
PAGES = {
    "page: now": (1, PAGE),
    **{
        f"page: history, {span}": (days, PAGE + "/history?span=" + span + "&at={start}")
        for span, days in [("day", 1), ("week", 7), ("month", 31), ("year", 366)]
    },
    **{
        f"page: {words}, {span}": (days, PAGE + "/history?view=" + view + "&span=" + span + "&at={start}")
        for view, words in [("typical", "typical day"), ("rank", "what uses most")]
        for span, days in [("month", 31), ("year", 366)]
    },
    **{
        f"page: circuit, {span}": (days, PAGE + "/circuits/water-heater?span=" + span + "&at={start}")
        for span, days in [("day", 1), ("month", 31), ("year", 366)]
    },
}
# How many questions of each view, and how often each is asked: its median counts, because a shared machine stops
# now and then for longer than an answer takes, and in no question's favour. What that comes to stands beside it.
ASKED, ROUNDS = 200, 5


def command(options, *arguments):
    """What a command of the program prints; it has to succeed."""
    done = subprocess.run([str(part) for part in (options.binary, *arguments)], capture_output=True, text=True)
    if done.returncode != 0:
        raise SystemExit(f"{arguments}: ended with {done.returncode}\n{done.stderr[-3000:]}")
    return done.stdout


def lay_in(options, days, directory):
    """The demo's house with so many days behind it; gives how long that took."""
    if options.history_data:
        # What a daemon or demo left there, stopped in order: settings, maps and store.
        shutil.copytree(options.history_data, directory, dirs_exist_ok=True)
        return None
    began = time.monotonic()
    command(options, "demo", "--days", days, "--for", "1s", "--port", free_port(), "--data", directory)
    return time.monotonic() - began


def steadiness():
    """How quick and how steady the core is on which the daemon runs: ms that the same work takes, and p99 over p50
    of it."""
    before, took = os.sched_getaffinity(0), []
    os.sched_setaffinity(0, {SUBJECT_CORE})
    for _ in range(1_000):
        began, total = time.perf_counter(), 0
        for number in range(50_000):
            total += number * number
        took.append(time.perf_counter() - began)
    os.sched_setaffinity(0, before)
    took.sort()
    return took[500] * 1e3, took[990] / took[500]


def ask(options, settings, directory, days):
    """ms an answer takes, over one connection that is kept, as a browser keeps it: of the questions' medians, and
    of all answers."""
    web = free_port()
    environment = {
        "PANELWRIGHT__BROKER__URL": "embedded",
        "PANELWRIGHT__BROKER__LISTEN": f"127.0.0.1:{free_port()}",
        "PANELWRIGHT__WEB__LISTEN": f"127.0.0.1:{web}",
    }
    chance, views, today = random.Random(1), {}, date.today()
    with Daemon(options.binary, settings, directory, web, environment) as daemon:
        # What is kept beside the rows is made in the background: after laying in, or an older version.
        daemon.settled()
        client = http.client.HTTPConnection("127.0.0.1", web, timeout=30)

        def once(query):
            asked = time.perf_counter()
            client.request("GET", query)
            answer = client.getresponse()
            answer.read()
            if answer.status != 200:
                raise SystemExit(f"{query}: {answer.status}")
            return (time.perf_counter() - asked) * 1e3

        for view, (length, address) in {**VIEWS, **PAGES}.items():
            starts = [today - timedelta(days=chance.randint(length, max(days, length))) for _ in range(ASKED)]
            queries = [address.format(start=start, end=start + timedelta(days=length)) for start in starts]
            # All questions, then all again: what stops the machine does not meet one question each time.
            rounds = [[once(query) for query in queries] for _ in range(ROUNDS)]
            medians = sorted(statistics.median(times) for times in zip(*rounds))
            answers = sorted(took for times in rounds for took in times)
            views[view] = {
                "p50": medians[ASKED // 2],
                "p99": medians[ASKED * 99 // 100],
                "max": medians[-1],
                "answers_p99": answers[len(answers) * 99 // 100],
            }
    return views


def rederivation(options, settings, directory, days):
    """Seconds a year of import, export and self-consumption takes to be derived again after the map is
    corrected for all time: the solar array's sign is turned round. None where the program cannot."""
    if subprocess.run([options.binary, "store", "rederive", "--help"], capture_output=True).returncode != 0:
        return None
    map_file = Path(directory) / "sites" / "heron-lane.toml"
    text = map_file.read_text()
    turned = text.replace('sign = "generation-positive"\n', "")
    if turned == text:
        raise SystemExit("the demo's map has no sign to turn round")
    map_file.write_text(turned)
    report = json.loads(command(options, "store", "rederive", "--format", "json", "--settings", settings))
    return {**report, "seconds_a_year": report["seconds"] * 365 / days}


def history(options, days):
    """The demo's house with so many days laid in: room on the disk, ms an answer of the API takes, and
    what a corrected map costs."""
    with tempfile.TemporaryDirectory(dir=options.scratch) as directory:
        laid = lay_in(options, days, directory)
        settings = Path(directory) / "panelwright.toml"
        size = json.loads(command(options, "store", "size", "--format", "json", "--settings", settings))
        steady = [steadiness()]
        views = ask(options, settings, directory, days)
        steady.append(steadiness())
        again = rederivation(options, settings, directory, days)
    return {"days": days, "laid_in_s": laid, "size": size, "views": views, "rederived": again, "machine": {"ms": max(ms for ms, _ in steady), "spread": max(spread for _, spread in steady)}}


def medians(runs):
    """Of runs with the same keys: the median of each, with the runs beside it."""
    return {key: {"median": statistics.median(run[key] for run in runs), "runs": [run[key] for run in runs]} for key in runs[0]}


def table(title, heads, rows):
    rows = [[str(cell) for cell in row] for row in [heads, *rows]]
    widths = [max(len(row[column]) for row in rows) for column in range(len(heads))]
    print(f"\n{title}")
    for row in rows:
        print("  " + "  ".join(cell.ljust(width) if at == 0 else cell.rjust(width) for at, (cell, width) in enumerate(zip(row, widths))))
    sys.stdout.flush()


def compared(options, title, key, run, shown, ratio):
    """One benchmark over all cases and subjects; subjects take turns, so that a slow moment of the
    machine meets all of them."""
    results, rows = {}, []
    for kind, qos in CASES:
        runs = {name: [] for name in options.subjects}
        for _ in range(options.runs):
            for name in options.subjects:
                runs[name].append(run(options, name, kind, qos))
        case = {name: medians(of) for name, of in runs.items()}
        results[f"{kind} QoS {qos}"] = case
        value = lambda name: case[name][key]["median"] if name in case else None
        row = [f"{kind}, QoS {qos}"] + [shown(value(name)) if name in case else "-" for name in SUBJECTS]
        row += ratio(value("bare subscriber"), value("panelwright"), value("script"))
        rows.append(row)
        print(".", end="", flush=True)
    return results, rows


def cpu_columns(bare, ours, script):
    if ours is None:
        return ["-", "-"]
    return [f"{ours - bare:+.2f}" if bare else "-", f"{script / ours:.1f}" if script else "-"]


def flood_columns(bare, ours, script):
    if ours is None:
        return ["-", "-"]
    return [f"{ours / bare:.2f}" if bare else "-", f"{ours / script:.1f}" if script else "-"]


def machine():
    cpu = next((line.split(":")[1].strip() for line in open("/proc/cpuinfo") if line.startswith("model name")), "?")
    version = lambda *command: (subprocess.run(command, capture_output=True, text=True).stdout.splitlines() or ["?"])[0]
    return {
        "cpu": cpu,
        "cores": len(__import__("os").sched_getaffinity(0)),
        "kernel": platform.release(),
        "python": platform.python_version(),
        "mosquitto": version("mosquitto", "-h"),
        "rustc": version("rustc", "--version"),
        "date": time.strftime("%Y-%m-%d"),
    }


class Targets:
    """What is wanted beside what was seen. A miss fails nothing."""

    def __init__(self):
        self.rows = []

    def add(self, what, wanted, seen, unit, most=None, least=None):
        met = (most is None or seen <= most) and (least is None or seen >= least)
        self.rows.append([what, wanted, f"{seen:,.2f} {unit}".strip(), "yes" if met else "no"])


def cpu_targets(targets, results):
    for case, of in results.items():
        if not all(name in of for name in ("bare subscriber", "panelwright")):
            continue
        readings, most = (19, 0.2) if case.startswith("json") else (1, 0.5)
        over = (of["panelwright"]["us"]["median"] - of["bare subscriber"]["us"]["median"]) / readings
        targets.add(f"CPU over bare a reading, {case}", f"<= {most} us", over, "us", most=most)
        if "script" in of:
            times = of["script"]["us"]["median"] / of["panelwright"]["us"]["median"]
            targets.add(f"script's CPU over ours, {case}", ">= 4", times, "", least=4)


def flood_targets(targets, results):
    for case, of in results.items():
        if case.endswith("QoS 1") and all(name in of for name in ("bare subscriber", "panelwright")):
            part = of["panelwright"]["per_s"]["median"] / of["bare subscriber"]["per_s"]["median"]
            targets.add(f"saturated, of bare, {case}", ">= 0.9", part, "", least=0.9)


def history_targets(targets, found):
    years = f"{found['days']} days"
    for view, of in found["views"].items():
        most = 20 if view in PAGES else 10
        targets.add(f"history over {years}, {view}, p99", f"<= {most} ms", of["p99"], "ms", most=most)
    size = found["size"]
    targets.add("disk, all tables and indexes", "<= 0.9 bytes a reading", size["bytes_per_reading"], "bytes", most=0.9)
    if found["rederived"] is None:
        targets.rows.append(["a year of import and export derived again", "<= 60 s", "not measured", "no"])
        return
    again = found["rederived"]["seconds_a_year"]
    targets.add("a year of import and export derived again", "<= 60 s", again, "s", most=60)


KINDS = ["cpu", "flood", "memory", "latency", "viewers", "history", "writing"]


def measure(options, wanted, results, targets):
    if "cpu" in wanted:
        results["cpu"], rows = compared(options, "", "us", fixed, lambda us: f"{us:.2f}", cpu_columns)
        table("CPU at 1,000 messages a second, us a message", ["", *SUBJECTS, "over bare", "script / ours"], rows)
        cpu_targets(targets, results["cpu"])
    if "flood" in wanted:
        results["flood"], rows = compared(options, "", "per_s", flood, lambda per_s: f"{per_s:,.0f}", flood_columns)
        table("Messages a second, saturated", ["", *SUBJECTS, "of bare", "times script"], rows)
        flood_targets(targets, results["flood"])
    if "memory" in wanted:
        results["memory"] = {sites: medians([memory(options, sites, 150) for _ in range(options.memory_runs)]) for sites in (1, 1_000)}
        rows = [[sites, *(f"{of[key]['median']:.1f}" for key in ("idle_mb", "rss_mb", "peak_mb"))] for sites, of in results["memory"].items()]
        table("Memory, MB, 19 channels a site at 1 Hz", ["sites", "at start", "after 150 s", "highest"], rows)
        for sites, most in ((1, 20), (1_000, 200)):
            targets.add(f"memory, sites: {sites:,}", f"<= {most} MB", results["memory"][sites]["rss_mb"]["median"], "MB", most=most)
    if "latency" in wanted:
        results["latency"] = medians([latency(options, 70) for _ in range(options.runs)])
        table("Live figure with a subscriber, ms after its tick", ["p50", "p99", "max"], [[results["latency"][key]["median"] for key in ("p50", "p99", "max")]])
        targets.add("live figure after its tick, p99", "<= 50 ms", results["latency"]["p99"]["median"], "ms", most=50)
    if "viewers" in wanted:
        results["viewers"] = viewers.measure(options, subject, publish)
        table("Live viewers beside 1,000 messages a second", viewers.HEADS, viewers.rows(results["viewers"]))
    if "history" in wanted:
        found = results["history"] = history(options, options.history_days)
        columns = ("p50", "p99", "max", "answers_p99")
        rows = [[view, *(f"{of[key]:.1f}" for key in columns)] for view, of in found["views"].items()]
        title = f"History of {options.history_days} days over HTTP, ms: {ASKED} questions, each the median of {ROUNDS}"
        table(title, ["view", "p50", "p99", "max", "p99 of all answers"], rows)
        machine = found["machine"]
        print(f"The machine meanwhile: the same work on the same core took {machine['ms']:.1f} ms, and {machine['spread']:.1f} times that at p99.")
        print(json.dumps({key: found[key] for key in ("laid_in_s", "size", "rederived")}))
        history_targets(targets, found)
    if "writing" in wanted:
        results["writing"] = writing(options, options.writing_s)
        table("Written to disk, one site at 1 Hz", ["MB a day"], [[f"{results['writing']['mb_a_day']:.1f}"]])
        targets.add("written to disk a day, one site", "<= 250 MB", results["writing"]["mb_a_day"], "MB", most=250)


def main():
    parser = argparse.ArgumentParser(prog="tests/bench/run", description=__doc__)
    parser.add_argument("--only", default=",".join(KINDS), help="by commas: " + ", ".join(KINDS))
    parser.add_argument("--subjects", default=",".join(SUBJECTS), help="which of: " + ", ".join(SUBJECTS))
    parser.add_argument("--runs", type=int, default=3, help="runs of each; the median counts")
    parser.add_argument("--memory-runs", type=int, default=1, help="runs of memory, three minutes each")
    parser.add_argument("--writing-s", type=int, default=4_000, help="how long writing is watched; over an hour, so that an hour is sealed")
    parser.add_argument("--history-days", type=int, default=1_826, help="days that are laid in for history; 1826 are five years")
    parser.add_argument("--history-data", type=Path, help="a directory that `panelwright demo --days N --data` left, to be copied instead of laying in again")
    parser.add_argument("--out", default="target/bench/results.json", help="where the figures go")
    for path in ["load", "binary", "python", "scratch"]:
        parser.add_argument("--" + path, required=True, help=argparse.SUPPRESS)
    options = parser.parse_args()
    options.subjects = options.subjects.split(",")
    wanted = options.only.split(",")
    if unknown := [kind for kind in wanted if kind not in KINDS]:
        parser.error(f"no such benchmark: {', '.join(unknown)}")
    results, targets = {"machine": machine()}, Targets()
    print(json.dumps(results["machine"]))
    out = Path(options.out)
    out.parent.mkdir(parents=True, exist_ok=True)
    try:
        measure(options, wanted, results, targets)
    finally:
        # What was measured before one of them broke is not lost.
        results["targets"] = targets.rows
        out.write_text(json.dumps(results, indent=2) + "\n")
    table("Targets; a miss fails nothing", ["what", "wanted", "seen", "met"], targets.rows)
    print(f"\nfigures: {out}")


main()
