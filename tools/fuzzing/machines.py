"""The machines that hostile inputs are given to."""

from __future__ import annotations

import shutil
import tempfile
from functools import cache
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent.parent
ROMS = ROOT / "roms"

# sets up the console's chip, says "ok", counts in RAM; interrupts every tick
MACHINE = f"""name = "for hostile inputs"
[backplane]
chain = ["ctc", "sio"]
[slot.cpu]
card = "z80-cpu"
clock = "6.144 MHz"
[slot.memory]
card = "banked-memory"
image = "{ROMS}/tidewater/tidewater.elf"
window-size = 8192
flash-size = 524288
ram-size = 65536
ram-page = 0x40
base = 0x50
[slot.ctc]
card = "z80-ctc"
base = 0x28
[slot.sio]
card = "z80-sio"
base = 0x20
clock-a = "614.4 kHz"
terminal-a = {{ baud = 38400 }}
"""
FLOPPY = (
    MACHINE
    + """[slot.floppy]
card = "fdc-765"
base = 0x40
terminal-count = "none"
drive-a = { size = "3.5", blank = true, geometry = "720K" }
"""
)
SMALL = """name = "a small one"
[slot.cpu]
card = "z80-cpu"
[slot.memory]
card = "plain-memory"
image = "rom.bin"
rom-size = 0x2000
"""
# ld sp,9000h; ld hl,8000h; loop: inc (hl); ld a,(hl); out (30h),a; in a,(31h); jr loop
ROM = bytes.fromhex("310090210080347ED330DB3118F8")


@cache
def folder() -> Path:
    """Give a folder for what families make once, gone at the end."""
    import atexit

    made = Path(tempfile.mkdtemp(prefix="preburn-fuzz-seed-"))
    atexit.register(shutil.rmtree, made, True)
    return made


@cache
def warm_up() -> None:
    """Load, and compile if need be, what the families use, before processes are made."""
    import tomllib

    from emu.backplane.card_catalogue import cards
    from emu.backplane.description import load
    from emu.machine.machine import Machine, modules_of
    from emu.native import units
    from emu.stepper.stepper import Stepper
    from emu.stepper.watch import parse
    from fuzzing.act import command_line
    from fuzzing.case import Case

    units.load(modules_of(list(cards().values())), lambda _: None)
    files = {"machine.toml": MACHINE, "floppy.toml": FLOPPY, "small.toml": SMALL}
    (folder() / "rom.bin").write_bytes(ROM)
    for name, text in files.items():
        tomllib.loads(text)
        (folder() / name).write_text(text)
        Machine(load(folder() / name)).run(1000)
    for path in ("tidewater/cards.toml", "tidewater/plain.toml"):
        Machine(load(ROMS / path)).run(1000)
    stepper = Stepper(Machine(load(folder() / "machine.toml")))
    stepper.add(parse("when a = 5", stepper.book))
    stepper.go(1000)
    for words in (
        ("trace",),
        ("record", "-o", str(folder() / "warm.json"), "--anyway"),
        ("compare", "--serial", str(folder() / "small.toml")),
    ):
        command, *rest = words
        command_line(Case({}, (command, str(folder() / "machine.toml"), *rest, "--limit", "0.002")))
