"""Second runs do not hang on what the cache of machine code happens to hold."""
from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from emu.native.cache import cache_folder

MACHINE = """
[slot.cpu]
card = "z80-cpu"
clock = "6.144 MHz"

[slot.memory]
card = "plain-memory"
image = "busy.bin"

[slot.sio]
card = "z80-sio"
base = 0x20
order = ["a-data", "b-data", "a-control", "b-control"]
clock-a = "614.4 kHz"
terminal-a = { baud = 38400 }
"""
# wait: IN A,(60h); RLCA; JR C,wait; then WR4 44h and WR5 68h of channel A; 'k' to its data port
PROGRAM = ("DB 60 07 38 FB 3E 04 D3 22 3E 44 D3 22 3E 05 D3 22 3E 68 D3 22"
           "3E 6B D3 20 18 FE")
NEEDED = "peripherals.acia_6850.unit"  # the first card that is tried


def test_a_card_that_was_never_used_is_compiled_and_tried(tmp_path: Path) -> None:
    (tmp_path / "busy.bin").write_bytes(bytes.fromhex(PROGRAM))
    (tmp_path / "machine.toml").write_text(MACHINE)
    cache = tmp_path / "cache" / "preburn" / "code"
    cache.mkdir(parents=True)
    for folder in cache_folder().iterdir():
        if folder.is_dir() and not (folder / NEEDED).exists():
            (cache / folder.name).symlink_to(folder)
    done = subprocess.run(
        [sys.executable, "-m", "emu.cli", "boot", "machine.toml", "--until", "k", "--limit", "1"],
        cwd=tmp_path, text=True, capture_output=True,
        env={**os.environ, "XDG_CACHE_HOME": str(tmp_path / "cache"),
             "PYTHONPATH": str(Path(__file__).parent.parent)})
    assert "polls port 60h" in done.stdout, done.stdout + done.stderr
    assert "Tried: with a card acia-6850 fitted at base 60h the same image reaches its text in" in (
        done.stdout)
    assert list(cache.glob(f"*/{NEEDED}"))
