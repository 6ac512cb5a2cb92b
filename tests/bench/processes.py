"""Processes of a benchmark: pinned to a core, measured from /proc, ended by their own id."""

import json
import os
import signal
import socket
import subprocess
import time
import urllib.request
from pathlib import Path

CORES = sorted(os.sched_getaffinity(0))
# The broker and the load on one core, the program that is measured alone on another.
LOAD_CORE, SUBJECT_CORE = CORES[0], CORES[-1]

BROKER = """listener {port} 127.0.0.1
allow_anonymous true
persistence false
user root
log_type error
# No bound: a subscriber that is slower than the broker is to be late, not to lose messages.
max_queued_messages 0
max_inflight_messages 0
"""


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


class Process:
    """A child on one core; its output goes to files in `directory`."""

    def __init__(self, name, command, directory, core, environment=None):
        self.name, self.directory = name, Path(directory)
        self.out, self.err = self.directory / f"{name}.out", self.directory / f"{name}.err"
        with open(self.out, "w") as out, open(self.err, "w") as err:
            self.child = subprocess.Popen(
                [str(part) for part in command],
                stdin=subprocess.DEVNULL,
                stdout=out,
                stderr=err,
                env=dict(os.environ, **(environment or {})),
                preexec_fn=lambda: os.sched_setaffinity(0, {core}),
            )

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.end()

    def end(self, patience=15):
        if self.child.poll() is None:
            self.child.send_signal(signal.SIGTERM)
            try:
                self.child.wait(patience)
            except subprocess.TimeoutExpired:
                self.child.kill()
                self.child.wait()

    def fail(self, why):
        raise SystemExit(f"{self.name}: {why}\n{self.err.read_text()[-3000:]}")

    def until(self, what, condition, patience=60, every=0.02):
        """Waits for a condition, and not for a process that is gone."""
        deadline = time.monotonic() + patience
        while not (found := condition()):
            if self.child.poll() not in (None, 0):
                self.fail(f"ended with {self.child.returncode}")
            if time.monotonic() > deadline:
                self.fail(f"{what}: not within {patience} s")
            time.sleep(every)
        return found

    def ready(self):
        self.until("ready", lambda: "ready" in self.err.read_text())

    def answer(self, patience=300):
        """The line of JSON that it ends with."""
        try:
            status = self.child.wait(patience)
        except subprocess.TimeoutExpired:
            self.fail(f"no end within {patience} s")
        if status != 0:
            self.fail(f"ended with {status}")
        return json.loads(self.out.read_text().splitlines()[-1])

    def cpu_ns(self):
        """Time on a core by all of its threads, from the scheduler: exact to the nanosecond, where
        /proc/PID/stat counts in hundredths of a second."""
        total = 0
        for task in Path(f"/proc/{self.child.pid}/task").iterdir():
            total += int((task / "schedstat").read_text().split()[0])
        return total

    def settled(self, patience=1800):
        """Waits until it has nothing left to do on its own: less than a twentieth of a core for two seconds."""

        def idle():
            before = self.cpu_ns()
            time.sleep(2)
            return self.cpu_ns() - before < 100_000_000

        self.until("settled", idle, patience)

    def status_kb(self, key):
        for line in Path(f"/proc/{self.child.pid}/status").read_text().splitlines():
            if line.startswith(key + ":"):
                return int(line.split()[1])
        raise KeyError(key)

    def written(self):
        """Bytes that it caused to be written to the disk."""
        for line in Path(f"/proc/{self.child.pid}/io").read_text().splitlines():
            if line.startswith("write_bytes:"):
                return int(line.split()[1])
        raise KeyError("write_bytes")


def broker(directory):
    port = free_port()
    conf = Path(directory) / "mosquitto.conf"
    conf.write_text(BROKER.format(port=port))
    process = Process("mosquitto", ["mosquitto", "-c", conf], directory, LOAD_CORE)

    def accepts():
        with socket.socket() as probe:
            return probe.connect_ex(("127.0.0.1", port)) == 0

    process.until("accepts", accepts)
    process.port = port
    return process


def get(url):
    with urllib.request.urlopen(url, timeout=30) as response:
        return response.read()


class Daemon(Process):
    """The daemon with generated maps, its API on a free port."""

    def __init__(self, binary, settings, directory, web_port, environment=None):
        command = [binary, "run", "--settings", settings]
        super().__init__("panelwright", command, directory, SUBJECT_CORE, environment)
        self.url = f"http://127.0.0.1:{web_port}"
        self.until("healthy", self.healthy)

    def healthy(self):
        try:
            return get(self.url + "/health")
        except OSError:
            return None

    def counter(self, name):
        for line in get(self.url + "/metrics").decode().splitlines():
            if line.startswith(f"panelwright_{name}_total "):
                return int(float(line.split()[1]))
        raise KeyError(name)
