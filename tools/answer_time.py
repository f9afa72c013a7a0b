"""Measure how soon each command answers a signal, and that it leaves nothing behind.

    python tools/answer_time.py                 # print the table
    python tools/answer_time.py --write         # and write it into docs/reliability.md
    python tools/answer_time.py --rounds 1 --only boot --json

Each command is given a run that takes ages.  Once its process has worked for a while, at a moment
that differs from round to round, it gets the signal; the answer is what it next says on standard
error, or its end.  Behind its end no process of its session may be left, and no file but those it
was to write, whole.  Seconds of wall time: on a busy computer they say more of the computer.
"""
from __future__ import annotations

import argparse
import contextlib
import json
import os
import select
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import marked

ROOT = Path(__file__).resolve().parent.parent
FULL = ROOT / "roms" / "tidewater" / "full.toml"
AGES = ("--limit", "1000000")
PATIENCE = 3  # seconds that what follows an answer may take, before it is ended, too
STEPS = "into\n" * 40 + "go\n"
SLOW_CARD = """
import time
import numpy as np
from peripherals.card import Card
STATE = np.dtype([("slot", np.int64), ("n", np.int64)], align=True)
def read(m, s, a, t):
    time.sleep(0.001)
    return 0
CARD = Card(name="slow", summary="takes a millisecond an access", source="own", state=STATE,
            registers=("data",), functions={"read": read})
"""
SLOW = """[slot.cpu]
card = "z80-cpu"
clock = "6.144 MHz"
[slot.rom]
card = "plain-memory"
image = "poll.bin"
[slot.slow]
card = "./slow.py"
base = 0x40
"""


@dataclass(frozen=True)
class Case:
    """One command as it is run: what is told of it, its arguments, files it may leave."""

    name: str
    arguments: tuple[str, ...]
    leaves: tuple[str, ...] = ()
    work: float = 1.5  # seconds of processor time before the signal
    first: bool = False  # another SIGINT has been answered before: the cause is looked for


CASES = (
    Case("boot", ("boot", str(FULL), *AGES)),
    Case("boot, a Python card that takes 1 ms an access", ("boot", "slow.toml", *AGES), work=0.7),
    Case("boot, while the cause is looked for", ("boot", str(FULL), *AGES), first=True),
    Case("boot --report", ("boot", str(FULL), *AGES, "--report", "page.html"), ("page.html",)),
    Case("boot --coverage", ("boot", str(FULL), *AGES, "--coverage", "rom.info"), ("rom.info",)),
    Case("step, behind 40 single steps", ("step", str(FULL), "--commands", "words"), work=2.0),
    Case("console --tcp", ("console", str(FULL), "--tcp", "0", "--fast", "--save", "saved.json"),
         ("saved.json",)),
    Case("trace", ("trace", str(FULL), *AGES, "--text", "trace.txt"), ("trace.txt",)),
    Case("record", ("record", str(FULL), *AGES, "-o", "record.json")),
    Case("verify", ("verify", str(FULL), "long.json", "--junit", "out.xml")),
    Case("compare", ("compare", str(FULL), str(FULL), *AGES)),
    Case("preflight", ("preflight", str(FULL), *AGES)),
    Case("layout --run", ("layout", str(FULL), "--run", AGES[1])),
    Case("time", ("time", str(FULL), *AGES)),
    Case("sweep", ("sweep", str(FULL), "--seeds", "3", "--jobs", "2", *AGES, "--until", "never",
                   "--results", "results.jsonl"), ("results.jsonl",), work=3.0),
)


@dataclass
class Answer:
    """What a round gave: seconds to the answer, the exit status, what was left behind."""

    seconds: float
    status: int
    left: list[str]


def prepare(folder: Path, cases: Sequence[Case] = CASES) -> None:
    """Write the files that the cases take."""
    (folder / "slow.py").write_text(SLOW_CARD)
    (folder / "slow.toml").write_text(SLOW)
    (folder / "poll.bin").write_bytes(bytes.fromhex("DB40 E680 28FA 76"))
    (folder / "words").write_text(STEPS)
    if not any("long.json" in case.arguments for case in cases):
        return
    preburn("record", str(FULL), "--limit", "0.1", "-o", "long.json", folder=folder).communicate()
    from emu.knowngood.recordfile import FORMAT, read, seal_of

    tree = read(folder / "long.json")
    tree["boot"]["limit"] = "1000000"
    rest = {k: v for k, v in tree.items() if k not in ("format", "seal")}
    (folder / "long.json").write_text(
        json.dumps({"format": FORMAT, **rest, "seal": seal_of(rest)}))


def preburn(*arguments: str, folder: Path) -> subprocess.Popen[bytes]:
    """Start a command in a session of its own."""
    return subprocess.Popen([sys.executable, "-m", "emu.cli", *arguments], cwd=folder,
                            stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
                            stderr=subprocess.PIPE, start_new_session=True,
                            env={**os.environ, "PYTHONPATH": str(ROOT)})


def worked(session: int) -> float:
    """Give the seconds of processor time that the processes of a session have used."""
    told = subprocess.run(["ps", "-o", "pid=", "-s", str(session)], text=True,
                          capture_output=True, check=False).stdout
    ticks = 0
    for pid in told.split():
        with contextlib.suppress(OSError):  # it may have ended
            fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
            ticks += int(fields[11]) + int(fields[12])
    return ticks / os.sysconf("SC_CLK_TCK")


def of_session(number: int) -> list[str]:
    """List the processes of a session that have not ended."""
    told = subprocess.run(["ps", "-o", "stat=,args=", "-s", str(number)], text=True,
                          capture_output=True, check=False).stdout
    return [line for line in told.splitlines() if not line.startswith("Z")]


def drain(descriptor: int) -> None:
    """Take what was said before."""
    while select.select([descriptor], [], [], 0)[0]:
        if not os.read(descriptor, 65536):
            raise RuntimeError("it has ended by itself")


def one(case: Case, number: int, later: float, folder: Path) -> Answer:
    """Do a round: run, wait, send the signal, wait for the answer."""
    before = {path.name for path in folder.iterdir()}
    child = preburn(*case.arguments, folder=folder)
    assert child.stderr is not None
    while child.poll() is None and worked(child.pid) < case.work + later:
        time.sleep(0.05)
    time.sleep(3 * (case.arguments[0] == "sweep"))  # its workers start
    if case.first:
        child.send_signal(signal.SIGINT)
        os.read(child.stderr.fileno(), 65536)
        time.sleep(later)
    drain(child.stderr.fileno())
    sent = time.perf_counter()
    child.send_signal(number)
    os.read(child.stderr.fileno(), 65536)
    seconds = time.perf_counter() - sent
    patience = time.monotonic() + PATIENCE * (case.arguments[0] != "sweep")
    while child.poll() is None:
        if time.monotonic() > patience:
            child.send_signal(signal.SIGINT)  # it looks for the cause, or finishes machines
        time.sleep(0.05)
    child.stderr.close()
    for _ in range(50):
        if not of_session(child.pid):
            break
        time.sleep(0.1)
    made = {path.name for path in folder.iterdir()} - before
    left = of_session(child.pid) + sorted(made - set(case.leaves))
    for name in made:
        (folder / name).unlink()
    return Answer(seconds, child.returncode, left)


def message(**body: object) -> bytes:
    """Write an editor's message."""
    data = json.dumps({"type": "request", "arguments": {"threadId": 1}, **body}).encode()
    return b"Content-Length: %d\r\n\r\n" % len(data) + data


def pause(later: float) -> Answer:
    """Time an editor's ``pause`` behind 40 steps; the answer is the event ``stopped``."""
    with subprocess.Popen([sys.executable, "-m", "emu.cli", "step", str(FULL), "--dap"],
                          stdin=subprocess.PIPE, stdout=subprocess.PIPE, cwd=ROOT) as child:
        assert child.stdin is not None and child.stdout is not None
        said = b""

        def ask(command: str, awaited: bytes, **more: object) -> float:
            nonlocal said
            sent = time.perf_counter()
            child.stdin.write(message(seq=1, command=command, **more))  # type: ignore[union-attr]
            child.stdin.flush()  # type: ignore[union-attr]
            said = b""
            while awaited not in said:
                said += os.read(child.stdout.fileno(), 65536)  # type: ignore[union-attr]
            return time.perf_counter() - sent

        ask("initialize", b'"initialized"')
        ask("launch", b'"launch"', arguments={})
        ask("configurationDone", b'"stopped"')
        for _ in range(40):
            ask("stepIn", b'"stopped"', arguments={"threadId": 1, "granularity": "instruction"})
        ask("continue", b'"continue"')
        time.sleep(0.5 + later)
        seconds = ask("pause", b'"stopped"')
        child.stdin.write(message(seq=1, command="disconnect"))
        child.stdin.flush()
        return Answer(seconds, child.wait(60), [])


def measure(rounds: int, only: str = "",
            told: Callable[[str], None] = lambda _: None) -> list[dict[str, object]]:
    """Do all rounds of the cases whose name holds a text; one row a case and signal."""
    rows: list[dict[str, object]] = []

    def row(name: str, how: str, answers: Sequence[Answer]) -> None:
        times = [answer.seconds for answer in answers]
        rows.append({"command": name, "signal": how, "rounds": len(times),
                     "median": round(statistics.median(times), 3), "worst": round(max(times), 3),
                     "status": sorted({answer.status for answer in answers}),
                     "left": sorted({text for answer in answers for text in answer.left})})
        told(f"{rows[-1]}")

    with tempfile.TemporaryDirectory(prefix="preburn-answer-") as name:
        folder = Path(name)
        chosen = [case for case in CASES if only in case.name]
        prepare(folder, chosen)
        for case in chosen:
            one(case, signal.SIGINT, 0, folder)  # whatever is to be compiled is then
            for number in (signal.SIGINT, signal.SIGTERM):
                row(case.name, number.name, [one(case, number, 0.13 * k, folder)
                                             for k in range(rounds)])
        if only in "editor":
            row("editor: pause, behind 40 steps", "pause", [pause(0.13 * k)
                                                           for k in range(rounds)])
    return rows


def _rounds(count: int) -> str:
    return "One round" if count == 1 else f"{count} rounds"


def main() -> int:
    """Measure and print; 1 when something was left behind."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--only", default="", help="cases whose name holds this")
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--write", action="store_true")
    options = parser.parse_args()
    signal.signal(signal.SIGINT, signal.default_int_handler)  # nohup's is inherited
    rows = measure(options.rounds, options.only, lambda line: print(line, file=sys.stderr))
    text = marked.table(
        ("command", "asked by", "median, s", "worst, s", "exit status"),
        [(row["command"], row["signal"], f"{row['median']:.2f}", f"{row['worst']:.2f}",
          ", ".join(map(str, row["status"]))) for row in rows])  # type: ignore[call-overload]
    print(json.dumps(rows, indent=2) if options.json else text)
    if options.write:
        busy = os.getloadavg()[0]
        marked.put("reliability.md", "answer", f"{text}\n{_rounds(options.rounds)} each, on "
                   f"{os.cpu_count()} cores with {busy:.1f} processes at work beside.\n")
    return int(any(row["left"] for row in rows))


if __name__ == "__main__":
    sys.path.insert(0, str(ROOT))
    sys.exit(main())
