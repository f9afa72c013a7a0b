"""What a run is given: scripts, captures and logs of a real board, records, saved machines."""

from __future__ import annotations

import json
import random
from functools import cache
from typing import Any

from emu.knowngood.recordfile import dump, seal_of
from fuzzing.act import command_line
from fuzzing.case import Case, Content, Family
from fuzzing.machines import MACHINE, folder
from fuzzing.mutate import encoded, number, spoilt_text, spoilt_tree, text, value

SCRIPT = """# wait for the prompt, then ask
channel sio.a
expect "tw> " within 2 s
send "help\\r\\x41"
silence 0.2 s
wait 1.5 ms
eject floppy.drive-a
insert floppy.drive-a "logs.img"
"""
WORDS = (
    "send",
    "expect",
    "wait",
    "silence",
    "channel",
    "within",
    "s",
    "ms",
    '"',
    '"\\x"',
    '"\\xZZ"',
    '"é"',
    "9" * 5000,
    "1e9",
    "-1",
    "sio.b",
    "nothing",
    '""',
    "#",
    "eject",
    "insert",
    "..",
    '"/dev/zero"',
)
LINES = [
    *(f"D{k}" for k in range(8)),
    *(f"A{k}" for k in range(4)),
    "nM1",
    "nRD",
    "nWR",
    "nMREQ",
    "nIORQ",
]
CELLS = (
    "0",
    "1",
    "inf",
    "nan",
    "1e400",
    "-1",
    "",
    "x",
    "1e999999",
    "9" * 400,
    "0x1",
    "\x1b[2J",
    "1.5",
)


def make_script(r: random.Random) -> Case:
    """Make a script, and a command that plays it."""
    source = spoilt_text(r, SCRIPT, WORDS, 3)
    files: dict[str, Content] = {"s": encoded(r, source), "m.toml": MACHINE.encode()}
    if r.random() < 0.7:
        return Case(files, ("trace", "m.toml", "--limit", "0.0003", "--script", "s"))
    escape = r.choice(("\\r", "\\x", "é", "", "\\", "a" * 3000, text(r).replace("\0", "")))
    return Case(
        files,
        (
            "trace",
            "m.toml",
            "--limit",
            "0.0003",
            *r.choice(
                (
                    ("--send", escape),
                    ("--after", escape, "--send", "x"),
                    ("--until", escape),
                    ("--after", "x"),
                    ("--from", f"text:{escape}"),
                    ("--only", escape or "x"),
                )
            ),
        ),
    )


@cache
def table() -> list[list[str]]:
    """Make samples of a bus that fetches and reads: times, data, address, strobes."""
    rows = []
    for k in range(200):
        fetch = k // 2 % 3 == 0
        low = k % 2
        levels = {"nM1": not (fetch and low), "nRD": not low, "nMREQ": not low}
        bits = [str(k * 7 >> b & 1) for b in range(8)] + [str(k >> b & 1) for b in range(4)]
        rows.append([f"{k * 100}.0", *bits, *(str(int(levels.get(n, True))) for n in LINES[12:])])
    return rows


def make_capture(r: random.Random) -> Case:
    """Make a capture, CSV or VCD, and lay it beside a run."""
    rows = [list(row) for row in table()]
    head = ["Time [ns]", *LINES]
    if r.random() < 0.6:
        for _ in range(r.choice((1, 1, 2, 5))):
            row = r.randrange(len(rows))
            rows[row][r.randrange(len(head))] = r.choice(CELLS)
        if r.random() < 0.3:
            head[r.randrange(len(head))] = r.choice(
                ("Time [ps]", "D", "A", "D9", "", "x" * 500, "D0", *CELLS)
            )
        source = "\n".join(",".join(row) for row in [head, *rows]) + "\n"
        if r.random() < 0.3:
            source = spoilt_text(r, source, CELLS, 3)
        name = "c.csv"
    else:
        marks = "!\"#$%&'()*+,-./012"
        source = "$timescale 1 ns $end\n$scope module bus $end\n" + "".join(
            f"$var wire 1 {m} {n} $end\n" for m, n in zip(marks, LINES, strict=False)
        )
        source += "$upscope $end\n$enddefinitions $end\n$dumpvars\n$end\n" + "".join(
            f"#{k * 100}\n"
            + "".join(f"{level}{m}\n" for m, level in zip(marks, row[1:], strict=False))
            for k, row in enumerate(rows[:90])
        )
        source = spoilt_text(
            r,
            source,
            (
                "#" + "9" * 400,
                "#" + "9" * 5000,
                "#-1",
                "b" + "1" * 200 + " !",
                "b !",
                "bz !",
                "r1.5 !",
                "$comment",
                "1 ms",
                "0 fs",
                "2 s",
                "[7:0]",
            ),
            4,
        )
        name = "c.vcd"
    columns = r.choice(
        ([], [], ["--columns", r.choice(("D0=A0", "M1=ch8", "time=x", "", "D0", "=", "D=D0"))])
    )
    return Case(
        {name: encoded(r, source), "m.toml": MACHINE.encode()},
        (
            "compare",
            "m.toml",
            "--capture",
            name,
            "--limit",
            "0.002",
            *columns,
            *r.choice(((), ("--json",))),
        ),
    )


def make_log(r: random.Random) -> Case:
    """Make a terminal program's log."""
    source = "Tidewater 1.5, harbour tide-gauge logger\r\n512 KiB RAM\r\ntw> \r\n"
    data = encoded(
        r, spoilt_text(r, source, ("\x1b[2J", "\x1b[999;999H", "\x08" * 300, "\0", "x" * 9000), 4)
    )
    channel = r.choice(
        ([], [], ["--channel", r.choice(("sio.b", "sio.a", "", "x", text(r).replace("\0", "")))])
    )
    return Case(
        {"log": data, "m.toml": MACHINE.encode()},
        (
            "compare",
            "m.toml",
            "--serial",
            "log",
            "--limit",
            "0.02",
            *channel,
            *r.choice(((), ("--json",))),
        ),
    )


@cache
def good() -> dict[str, Any]:
    """Make a record of a short run."""
    at = folder() / "good.json"
    told = command_line(
        Case(
            {},
            (
                "record",
                str(folder() / "machine.toml"),
                "-o",
                str(at),
                "--limit",
                "0.002",
                "--anyway",
            ),
        )
    )
    if not at.exists():
        raise RuntimeError(told.err)
    return json.loads(at.read_text())


@cache
def saved() -> dict[str, Any]:
    """Save a machine after a few inputs."""
    from emu.live import saved as store
    from fuzzing.family_stepper import sit

    stepper = sit("machine.toml")
    for kind, where, value_ in (
        ("typed", "sio.a", b"ls\r"),
        ("register", "hl", 5),
        ("memory", "530000", b"\1"),
        ("out", "32", 65),
        ("in", "32", None),
        ("line", "nmi", 1),
        ("jumper", "memory.waits-mem", 1),
    ):
        stepper.go(stepper.t + 500)
        stepper.change(kind, where, value_)
    store.save(folder() / "saved.json", stepper)
    return json.loads((folder() / "saved.json").read_text())


def small(r: random.Random) -> Any:
    """Give a value, more often one of a kind that is there already."""
    return r.choice(
        (value(r), number(r), "x", [], {}, None, [[0, "a"]], {"bytes": "a"}, -1, 1.5, True)
    )


def make_record(r: random.Random) -> Case:
    """Make a record with a right seal and wrong content, or a broken one."""
    tree = good()
    for _ in range(r.choice((1, 1, 1, 2))):
        tree = spoilt_tree(r, tree, small)
    rest = (
        {k: v for k, v in tree.items() if k not in ("format", "seal")}
        if isinstance(tree, dict)
        else {}
    )
    try:
        source = dump(rest)
    except (ValueError, TypeError, RecursionError):
        source = "{}"
    if r.random() < 0.1:
        source = spoilt_text(r, source, ("{", "}", "9" * 5000, "[" * 5000, "NaN"), 2)
    data = source.encode("utf-8", "surrogatepass")
    return Case(
        {"good.json": data, "m.toml": MACHINE.encode()},
        (
            "verify",
            "m.toml",
            "good.json",
            *r.choice(
                ((), ("--same-console",), ("--json",), ("--other-image",), ("--same-milestones",))
            ),
        ),
    )


def make_saved(r: random.Random) -> Case:
    """Make a saved machine with a right seal and wrong content."""
    tree = dict(saved())
    if r.random() < 0.6:
        rows = [dict(row) for row in tree["inputs"]]
        k = r.randrange(len(rows))
        rows[k] = spoilt_tree(r, rows[k], small)
        tree["inputs"] = rows
    else:
        spoilt = spoilt_tree(r, tree, small)
        tree = spoilt if isinstance(spoilt, dict) else {}
    tree["seal"] = seal_of({k: v for k, v in tree.items() if k not in ("format", "seal")})
    source = json.dumps(tree)
    if r.random() < 0.1:
        source = spoilt_text(r, source, ("{", "9" * 5000, "[" * 5000), 2)
    return Case(
        {"saved.json": source.encode("utf-8", "surrogatepass"), "machine.toml": MACHINE.encode()},
        (
            "console",
            "machine.toml",
            "--load",
            "saved.json",
            "--tcp",
            "0",
            "--fast",
            "--limit",
            "0.001",
        ),
    )


OPTIONS = (
    ("trace", "--limit"),
    ("trace", "--seed"),
    ("trace", "--from"),
    ("trace", "--to"),
    ("trace", "--last"),
    ("trace", "--only"),
    ("trace", "--vcd-timescale"),
    ("boot", "--fault"),
    ("rates", "--want"),
    ("rates", "--tick"),
    ("preflight", "--access"),
    ("sweep", "--clock"),
    ("sweep", "--vary"),
    ("sweep", "--fault"),
    ("sweep", "--chain-orders"),
    ("compare", "--channel"),
    ("console", "--escape"),
    ("step", "--symbols"),
    ("step", "--fault"),
    ("record", "--milestone"),
    ("verify", "--tolerance"),
    ("new", "--clock"),
    ("new", "--ram-page"),
    ("new", "--rom-size"),
    ("new", "--baud"),
    ("causes", ""),
    ("cards", ""),
    ("layout", "--run"),
    ("layout", "--as"),
)
ASKED = (
    "1e999999999",
    "-1",
    "0",
    "nan",
    "inf",
    "1/0",
    "9" * 5000,
    "0x10",
    "1200t",
    "1e9t",
    "9" * 30 + "t",
    "5%",
    "1.5ms",
    "99999999999 s",
    "port:20h",
    "port:",
    "text:",
    "shell",
    "read",
    "8000h-80FFh",
    "FFFFh-0",
    "data-stuck,line=3,level=0",
    "data-stuck,line=99",
    "nmi-noise,every=1e-300",
    "reset-held,at=inf",
    "slow-memory,access=nan",
    "x,,=,",
    "memory=70",
    "memory=1e99",
    "slot.sio.clock-a=1 Hz|0 Hz",
    "slot.cpu.clock=",
    "a=b",
    "=|",
    "8 MHz",
    "ctrl-_",
    "ctrl-é",
    "",
    "tick",
    "exact",
    "1 fs",
    "m.toml@x",
    "m.toml",
    "\x1b[2J",
    "sio.b",
    "0b1",
    "٣",
    "38400",
    "json",
    "text",
)


def make_options(r: random.Random) -> Case:
    """Make a command line with a hostile value."""
    command, option = r.choice(OPTIONS)
    asked = r.choice(ASKED) if r.random() < 0.85 else text(r).replace("\0", "")
    if command in ("causes", "cards"):
        return Case({}, (command, asked))
    if command == "new":
        return Case({}, ("new", "made", option, asked), writes=("made", "made/"))
    words: tuple[str, ...] = (command, "m.toml", option, asked)
    if (
        command in ("trace", "boot", "sweep", "preflight", "compare", "record")
        and option != "--limit"
    ):
        words += ("--limit", "0.0002")
    if command == "compare":
        words += ("--serial", "log")
    if command == "record":
        words += ("-o", "good")
    if command == "verify":
        words = ("verify", "m.toml", "log", option, asked)
    if command in ("step", "console", "boot", "sweep"):
        words += {
            "step": ("--commands", "-"),
            "console": ("--tcp", "0", "--limit", "0.0002"),
            "boot": ("--json",),
            "sweep": ("--jobs", "1"),
        }[command]
    return Case({"m.toml": MACHINE.encode(), "log": b"x\n"}, words, writes=("good",))


FAMILIES = (
    Family("scripts", "send and expect scripts, texts with escapes", make_script),
    Family(
        "captures", "a logic analyser's CSV and VCD: wrong times, numbers, columns", make_capture
    ),
    Family("serial-logs", "a terminal program's logs with control characters", make_log),
    Family("records", "known-good records with a right seal and wrong content", make_record),
    Family(
        "saved-machines",
        "saved machines with a right seal and wrong content",
        make_saved,
        plain_output=False,
    ),
    Family("options", "values of options of all commands", make_options, batch=100),
)
