"""Checks 21 and 22 of friendliness.py: what a service manager needs.

Each function takes the stage and gives (score, evidence)."""

import re
import shutil
import signal
import socket
import subprocess

from stage import ROOT, ended

UNIT = ROOT / "examples/wakerail.service"
NEEDED = ("Type=notify", "WatchdogSec=", "StateDirectory=", "SupplementaryGroups=dialout")
EXPOSURE_AT_MOST = 1.5


def notified(stage):
    """Says that it is ready, alive and leaving (sd_notify(3))"""
    ear = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    ear.bind(str(stage.folder / "notify"))
    ear.settimeout(10)
    daemon = stage.serve(stage.folder / "notified", NOTIFY_SOCKET=str(stage.folder / "notify"),
                         WATCHDOG_USEC="1000000")
    told = [ear.recv(256).decode() for _ in range(4)]
    daemon.send_signal(signal.SIGTERM)
    ended(daemon, 15)
    ear.setblocking(False)
    try:
        while True:
            told.append(ear.recv(256).decode())
    except BlockingIOError:
        pass
    good = [told[0] == "READY=1", "WATCHDOG=1" in told, told[-1] == "STOPPING=1"]
    return (1 if all(good) else 0), f"ready, alive, leaving: {good}; no STATUS, and nothing to reload"


def unit(stage):
    """A unit file is shipped and closes what the daemon does not need"""
    del stage
    text = UNIT.read_text()
    missing = [words for words in NEEDED if words not in text]
    if missing:
        return 0, f"{UNIT.name} lacks {', '.join(missing)}"
    if shutil.which("systemd-analyze") is None:
        return 1, "its exposure was not measured: no systemd-analyze here"
    said = subprocess.run(["systemd-analyze", "security", "--offline=true", "--no-pager", str(UNIT)],
                          capture_output=True, text=True, check=False).stdout
    found = re.search(r"exposure level for \S+: ([0-9.]+)", said)
    if found is None:
        return 1, "systemd-analyze gave no exposure"
    return (2 if float(found[1]) <= EXPOSURE_AT_MOST else 1), f"exposure {found[1]}, at most {EXPOSURE_AT_MOST} wanted"
