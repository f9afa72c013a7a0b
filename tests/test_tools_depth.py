"""The table of what the tests hold: it is as the tests say, and tells sources from memory."""
from __future__ import annotations

import sys
from pathlib import Path

import pytest

from emu.backplane.card_catalogue import cards

ROOT = Path(__file__).parent.parent
sys.path.insert(0, str(ROOT / "tools"))
import depth  # noqa: E402

TESTS = '''"""Made up.  "MC6850" is the data sheet, recalled."""
# UM0081 p.34 and p.36
def test_one():
    pass


def test_two():
    """UM0080 p.12, from memory."""


def test_three():
    assert 1  # &#35; TM p.114: vectors stay


def test_four():
    """MC6850: as it is told."""


# --- UM0081 p.40: a heading is no source ---
def test_five():
    assert "from memory" != read(0x40)
'''


def test_the_pages_are_what_the_tests_say() -> None:
    assert depth.main(["--check"]) == 0, "run python tools/depth.py"


def test_sources_are_told_from_memory(tmp_path: Path) -> None:
    file = tmp_path / "test_peripherals_z80_ctc.py"
    file.write_text(TESTS.replace("&#35;", ""))
    found = {name: (s.kind, s.source) for name, s in depth.statements(file)}
    assert found == {
        "test_one": (depth.HELD, "UM0081 p.34 and p.36"),
        "test_two": (depth.MEMORY, "UM0080 p.12"),
        "test_three": (depth.HELD, "TM p.114"),
        "test_four": (depth.MEMORY, "MC6850"),
        "test_five": (depth.OWN, "")}


@pytest.mark.parametrize(("stem", "test", "card"), [
    ("published_serial", "test_sio_frame_times", "z80_sio"),
    ("published_serial_buses", "test_x", None), ("peripherals_z80_sio_interrupts", "t", "z80_sio"),
    ("published_floppy_loops", "t", "fdc_765"), ("emu_cpu_waits", "t", "z80_cpu"),
    ("emu_wiring", "t", None)])
def test_a_file_tells_its_card(stem: str, test: str, card: str | None) -> None:
    modules = [name.replace("-", "_") for name in cards()]
    assert depth.card_of(stem, test, modules) == card
