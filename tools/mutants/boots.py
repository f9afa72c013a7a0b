"""Boot a machine as a builder does: ``preburn boot FILE --json`` in a process of its own."""
from __future__ import annotations

import json
import os
import resource
import signal
import subprocess
import sys
import tempfile
import threading
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

PROJECT = Path(__file__).resolve().parent.parent.parent
TIMEOUT = 120  # seconds of processor time; a boot that takes more is ended: no answer
PATIENCE = 5 * TIMEOUT  # the same in wall seconds, for one that waits, or a busy computer


@dataclass(frozen=True)
class Boot:
    """What one run was told; `told` is empty when the files were refused or time ran out."""

    told: dict[str, Any] = field(default_factory=dict)
    seconds: float = 0.0  # of processor time
    refused: str = ""
    timed_out: bool = False


def boot(machine: Path, limit: float, options: Sequence[str] = ()) -> Boot:
    """Boot a backplane file for `limit` emulated seconds."""
    command = [sys.executable, "-m", "emu.cli", "boot", str(machine), "--json", "--full",
               "--limit", repr(limit), *options]
    environment = {**os.environ, "PYTHONPATH": str(PROJECT)}
    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
        child = subprocess.Popen(command, stdout=out, stderr=err, env=environment)
        late = threading.Event()

        def end() -> None:
            late.set()
            child.kill()

        resource.prlimit(child.pid, resource.RLIMIT_CPU, (TIMEOUT, TIMEOUT + 1))
        timer = threading.Timer(PATIENCE, end)
        timer.start()
        try:
            _, status, usage = os.wait4(child.pid, 0)
        except BaseException:
            child.kill()
            raise
        finally:
            timer.cancel()
        child.returncode = os.waitstatus_to_exitcode(status)
        out.seek(0)
        err.seek(0)
        said, complaint = out.read().decode(), err.read().decode(errors="replace").strip()
    seconds = round(usage.ru_utime + usage.ru_stime, 3)
    if late.is_set() or child.returncode in (-signal.SIGXCPU, -signal.SIGKILL):
        return Boot(seconds=seconds, timed_out=True)
    if child.returncode not in (0, 1) or not said.strip():
        return Boot(seconds=seconds, refused=complaint[-400:] or f"status {child.returncode}")
    return Boot(json.loads(said), seconds)


def keys(about: dict[str, Any], folder: Path) -> list[str]:
    """Make the options that type what a program's kernel.toml says."""
    out = []
    if "script" in about:
        out += ["--script", str(folder / about["script"])]
    afters = about.get("after", [])
    for number, text in enumerate(about.get("send", [])):
        if number < len(afters):
            out += ["--after", afters[number]]
        out += ["--send", text.replace("\r", "\\r").replace("\n", "\\n")]
    return out
