"""What the checks of friendliness.py stand on: the program, a terminal, a
rehearsed bench, its socket. Python's standard library only."""

import http.client
import json
import os
import pty
import select
import shutil
import signal
import socket
import subprocess
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
EXAMPLES = ROOT / "examples"
# Nothing here takes longer, on a busy machine either.
LIMIT_S = 40


class Told:
    """How a command ended, and what it said."""

    def __init__(self, code, out, err, seconds):
        self.code, self.out, self.err, self.seconds = code, out, err, seconds


class Stage:
    """A folder with the examples, and the program at work in it."""

    def __init__(self, program, folder):
        self.program = str(Path(program).resolve())
        self.folder = Path(folder)
        for file in EXAMPLES.iterdir():
            shutil.copy(file, self.folder)
        self.data = self.folder / "data"
        self.home = self.folder / "home"
        self.home.mkdir()
        self.daemons = []
        self.daemon = None
        self.demo = subprocess.Popen(
            [self.program, "demo", "--short", "--data", str(self.folder / "demo")],
            env=self.around(), cwd=self.folder, stdin=subprocess.DEVNULL,
            stdout=open(self.folder / "demo.out", "w"),
            stderr=open(self.folder / "demo.err", "w"))
        self.demo_began = time.monotonic()
        self.demo_seconds = None

    def around(self, **more):
        """A plain environment; a value of None takes a name out."""
        around = {"HOME": str(self.home), "USER": "ada", "PATH": os.environ["PATH"],
                  "WAKERAIL_DATA": str(self.data)}
        around.update(more)
        return {name: value for name, value in around.items() if value is not None}

    def run(self, *words, typed=None, **around):
        """One command without a terminal."""
        began = time.monotonic()
        done = subprocess.run(
            [self.program, *words], env=self.around(**around), cwd=self.folder,
            input=typed or "", capture_output=True, text=True, timeout=LIMIT_S)
        return Told(done.returncode, done.stdout, done.stderr, time.monotonic() - began)

    def rows(self, *words):
        """A reading command's JSON."""
        return json.loads(self.run(*words, "--format", "json").out)

    def serve(self, data, *words, terminal=None, **around):
        """A rehearsing daemon on `data`, at work; its log is in `data`.log."""
        log = open(f"{data}.log", "w+")
        daemon = subprocess.Popen(
            [self.program, "serve", "--bench", "bench-strand.yaml", "--rehearse", "1",
             "--data", str(data), *words],
            env=self.around(TERM="xterm", **around), cwd=self.folder, start_new_session=True,
            stdin=terminal if terminal is not None else subprocess.DEVNULL,
            stdout=subprocess.DEVNULL, stderr=terminal if terminal is not None else log)
        self.daemons.append(daemon)
        until(lambda: (Path(data) / "socket/daemon.sock").exists(), "the daemon does not start")
        until(lambda: self.run("runs", "--data", str(data)).code == 0, "the daemon does not answer")
        return daemon

    def place_and_book(self, data, plan, *words):
        """The example's lamp placed, a plan booked."""
        at = ["--data", str(data)]
        self.run("place", "D-17", "--lamp", "lamp-dunlin.yaml", "--gauge", "6 in", "--fingers",
                 "brighter=left,dimmer=right,power=round", *at)
        told = self.run("book", plan, "--unit", "D-17", *words, *at)
        if told.code:
            raise RuntimeError(f"{plan} cannot be booked: {told.err}")

    def measured(self):
        """A daemon whose run 1, a short one, is complete."""
        if self.daemon is None:
            self.daemon = self.serve(self.data, "--log", "json")
            self.place_and_book(self.data, "plan-short.yaml")
            self.watched = self.run("watch", "latest")
        return self

    def demo_done(self):
        """The demo's folder, once it is through."""
        if self.demo_seconds is None:
            self.demo.wait(timeout=LIMIT_S)
            self.demo_seconds = time.monotonic() - self.demo_began
        return self.folder / "demo"

    def ask(self, method, path, body=None, **headers):
        """One request to the daemon's socket: status, type, text."""
        wire = http.client.HTTPConnection("daemon", timeout=LIMIT_S)
        wire.sock = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        wire.sock.connect(str(self.data / "socket/daemon.sock"))
        headers = {name.replace("_", "-"): value for name, value in headers.items()}
        if body is not None:
            body, headers["content-type"] = json.dumps(body), "application/json"
        wire.request(method, path, body, headers)
        answer = wire.getresponse()
        return answer.status, answer.getheader("content-type"), answer.read().decode()

    def at_terminal(self, *words, typed=(), **around):
        """One command at a terminal. Each of `typed` is (what must stand there
        first, what is typed then); the exit code (None: it hangs), the screen."""
        person, program = pty.openpty()
        child = subprocess.Popen(
            [self.program, *words], env=self.around(**{"TERM": "xterm", **around}),
            cwd=self.folder, stdin=program, stdout=program, stderr=program,
            start_new_session=True)
        os.close(program)
        screen, typed = looked_at(person, list(typed), LIMIT_S / 4, child)
        code = ended(child, 2)
        os.close(person)
        if typed:
            screen += f"\n[never asked: {typed[0][0]}]"
        return code, screen

    def close(self):
        """Ends what was started here."""
        for child in [*self.daemons, self.demo]:
            if child.poll() is None:
                child.send_signal(signal.SIGTERM)
        for child in [*self.daemons, self.demo]:
            ended(child, 10)


def looked_at(person, typed, seconds, child):
    """What stands on a screen until the program closes it or time is up."""
    screen, end = "", time.monotonic() + seconds
    while time.monotonic() < end:
        ready, _, _ = select.select([person], [], [], 0.1)
        if not ready:
            if child.poll() is not None:
                break
            continue
        try:
            bytes_read = os.read(person, 65536)
        except OSError:  # Linux: the other side is closed
            break
        if not bytes_read:
            break
        screen += bytes_read.decode(errors="replace")
        if typed and typed[0][0] in screen:
            os.write(person, typed.pop(0)[1].encode())
    return screen, typed


def ended(child, seconds):
    """A child's exit code; one that does not end is killed: None."""
    try:
        return child.wait(timeout=seconds)
    except subprocess.TimeoutExpired:
        child.kill()
        child.wait()
        return None


def until(holds, otherwise):
    """Waits until something holds."""
    end = time.monotonic() + LIMIT_S / 2
    while not holds():
        if time.monotonic() > end:
            raise RuntimeError(otherwise)
        time.sleep(0.02)
