"""Tidewater's floppy: its own disks and FAT12, kept, booted again, and without a timer."""
from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import pytest

from emu.backplane.description import load
from emu.diagnosis import explain
from emu.machine.machine import Machine
from emu.media.disk import Disk
from emu.media.geometry import FORMATS
from emu.media.image import filled
from emu.media.mounting import make, need
from emu.run.kept_media import keep_media
from emu.run.script import Step, read_script, sends_of
from emu.run.session import SILENCE, Session
from emu.run.texts import keys

TIDEWATER = Path(__file__).parent.parent / "roms" / "tidewater"
PAGE_LOG = 0x45 - 0x40  # the page of RAM that holds the gauge log (roms/tidewater/defs.inc)
FLASH = 524288
mtools = pytest.mark.skipif(shutil.which("mformat") is None, reason="mtools is not installed")


def backplane(folder: Path, image: str, geometry: str, base: str = "floppy.toml",
              extra: str = "") -> Path:
    """Write a backplane file with a disk of its own."""
    path = folder / f"{image}.toml"
    path.write_text(f'extends = "{TIDEWATER / base}"\n[slot.floppy]\ndrive-a = {{ size = "3.5", '
                    f'medium = "{image}", blank = true, geometry = "{geometry}"{extra} }}\n')
    return path


def run(path: Path, *sends: str, script: str = "", limit: float = 30) -> tuple[Session, str]:
    """Boot, type each text at a prompt, keep the disk; the console's text."""
    prompt = Step("expect", b"tw> ", Fraction(100))
    steps = read_script(TIDEWATER / script) if script else [prompt]
    for text in sends:
        steps += [Step("send", keys(text)), prompt]
    session = Session(Machine(load(path)), None, Fraction(limit), steps)
    session.run()
    assert session.failed_step is None
    assert session.steps == []
    keep_media(session.machine)
    return session, session.console.channels["sio.a"].text.decode("latin-1").replace("\r", "")


def log_in_memory(session: Session) -> bytes:
    """Give the start of the gauge log as it stands in the machine's RAM."""
    memory = session.machine.slots[1].number
    at = int(session.machine.m.mem_base[memory]) + FLASH + PAGE_LOG * 8192
    return session.machine.snapshot().memory[at:at + 4096].tobytes()


def samples(text: str) -> list[str]:
    """Give the lines of a console that show a sample."""
    return [line for line in text.splitlines() if line.endswith(" m")]


def test_a_log_is_archived_and_read_after_the_next_boot(tmp_path: Path) -> None:
    path = backplane(tmp_path, "harbour.img", "720K")
    first, text = run(path, script="archive.script", limit=120)
    kept = need(Disk.open(tmp_path / "harbour.img", None).image)
    archived = kept.read("gauge002")
    assert len(archived) > len(kept.read("gauge001")) > 0
    assert log_in_memory(first).startswith(archived)
    assert kept.problems() == []
    _, again = run(path, script="read-back.script", limit=20)
    total = f"{len(archived)} bytes, sum {sum(archived) & 0xFFFF:04X}"
    assert f"gauge002: {total}" in text
    assert f"all of it: {total}" in again
    assert len(samples(again)) == min(len(archived) // 8, 8)


def test_a_disk_of_18_sectors_at_500_kbit(tmp_path: Path) -> None:
    path = backplane(tmp_path, "hd.img", "1.44M")
    _, text = run(path, r"disk attach\r", r"disk make 18\r", r"disk list\r", r"disk make 10\r",
                  limit=100)
    assert "the disk is not formatted, try disk make" in text
    assert "attached: a Tidewater disk" in text
    assert "disk make wants 9 or 18 sectors a track" in text
    image = Disk.open(tmp_path / "hd.img", None).image
    empty = filled(FORMATS["1.44M"], 0xF6, "made here")
    make(empty, "tidewater", "tidewater")
    assert image.data == empty.data  # both sides make the same disk


def test_files_of_the_python_side_are_read(tmp_path: Path) -> None:
    image = filled(FORMATS["720K"], 0xE5, "made here")
    files = make(image, "tidewater")
    files.write("filler", bytes(12 * 512))
    files.write("note", b"high water\nat noon\n")
    records = b"".join(n.to_bytes(4, "little") + (300 + n).to_bytes(2, "little")
                       + n.to_bytes(2, "little") for n in range(500))
    files.write("old-log", records)
    files.remove("filler")
    (tmp_path / "d.img").write_bytes(image.data)
    _, text = run(backplane(tmp_path, "d.img", "720K"), r"gauge\r", r"disk attach\r",
                  r"disk list\r", r"disk show note\r", r"log read old-log\r", r"log archive\r",
                  r"disk show missing\r")
    assert "   19 note\n 4000 old-log\n" in text
    assert "high water\nat noon\n" in text
    assert samples(text)[-1].split() == ["499", "2031-03-01", "00:08:19", "7.99", "m"]
    assert f"all of it: 4000 bytes, sum {sum(records) & 0xFFFF:04X}" in text
    assert "no such file, try disk list" in text
    kept = need(Disk.open(tmp_path / "d.img", None).image)
    assert kept.blocks_of("gauge001")[0] == 5  # the first gap is used again
    assert kept.read("old-log") == records
    assert kept.problems() == []


@mtools
@pytest.mark.parametrize(("name", "kilobytes"), [("360K", 360), ("720K", 720), ("1.44M", 1440)])
def test_fat12_of_mtools_is_read_and_written(tmp_path: Path, name: str, kilobytes: int) -> None:
    path = tmp_path / "fat.img"

    def tool(*arguments: object, stdin: bytes | None = None) -> bytes:
        return subprocess.run([str(a) for a in arguments], check=True, capture_output=True,
                              input=stdin, env=dict(os.environ, TZ="UTC"), timeout=60).stdout

    tool("mformat", "-C", "-i", path, "-f", kilobytes, "-v", "PIER", "::")
    note = b"low water at six\r\n" * 100
    tool("mcopy", "-i", path, "-", "::FIRST.TXT", stdin=bytes(700))
    tool("mcopy", "-i", path, "-", "::NOTE.TXT", stdin=b"low water at six\r\n")
    tool("mdel", "-i", path, "::FIRST.TXT")
    tool("mcopy", "-i", path, "-", "::LONG.TXT", stdin=note)  # in pieces
    session, text = run(
        backplane(tmp_path, "fat.img", name), r"gauge\r", r"disk attach\r", r"disk list\r",
        r"disk show note.txt\r", r"sleep 1\r", r"log archive\r", r"log archive\r",
        r"disk show long.txt\r", r"log read gauge002\r", limit=40)
    assert "attached: a FAT12 disk" in text
    assert " 1800 LONG.TXT\n   18 NOTE.TXT\n" in text
    assert text.count("low water at six\n") == 101
    archived = tool("mtype", "-i", path, "::GAUGE002")
    assert len(archived) >= 16
    assert log_in_memory(session).startswith(archived)
    assert f"all of it: {len(archived)} bytes, sum {sum(archived) & 0xFFFF:04X}" in text
    assert tool("mtype", "-i", path, "::LONG.TXT") == note
    assert b"2031-03-01   0:00" in tool("mdir", "-i", path, "::GAUGE002")
    assert need(Disk.open(path, None).image).problems() == []


@pytest.mark.parametrize(("extra", "words"), [
    (", write-protect = true", "the disk is write-protected"),
    ("", "the disk is not formatted, try disk make")])
def test_what_cannot_be_done_is_said(tmp_path: Path, extra: str, words: str) -> None:
    path = backplane(tmp_path, "none.img", "720K", extra=extra)
    command = r"disk make\r" if extra else r"disk attach\r"
    _, text = run(path, command, limit=10)
    assert words in text


def test_an_empty_drive_and_no_controller_are_noticed(tmp_path: Path) -> None:
    path = tmp_path / "empty.toml"
    path.write_text(f'extends = "{TIDEWATER / "full.toml"}"\n[slot.floppy]\ncard = "fdc-765"\n'
                    f'base = 0x40\ndrive-a = {{ size = "3.5" }}\n')
    _, text = run(path, r"disk attach\r", limit=10)
    assert "no disk in the drive" in text
    _, text = run(TIDEWATER / "full.toml", r"disk attach\r", limit=3)
    assert "no floppy controller answers" in text


def test_without_its_interrupt_the_driver_asks_at_every_tick(tmp_path: Path) -> None:
    image = filled(FORMATS["720K"], 0xE5, "made here")
    make(image, "tidewater").write("note", b"tide\n")
    (tmp_path / "d.img").write_bytes(image.data)
    path = tmp_path / "polled.toml"
    path.write_text(f'extends = "{TIDEWATER / "full.toml"}"\n[slot.floppy]\ncard = "fdc-765"\n'
                    f'base = 0x40\ndrive-a = {{ size = "3.5", medium = "d.img" }}\n')
    session, text = run(path, r"disk attach\r", r"disk show note\r", limit=10)
    assert "tide\n" in text
    assert int(session.machine.m.ack_count) > 0


def test_without_a_timer_reading_hangs_and_the_verdict_says_why() -> None:
    session = Session(Machine(load(TIDEWATER / "floppy-no-timer.toml")), None, Fraction(5),
                      sends_of((r"disk attach\r",), (), SILENCE))
    session.run()
    verdict = explain(session)
    assert (verdict.verdict, verdict.cause) == ("hung", "no-tick")
    text = "\n".join([verdict.summary, *verdict.evidence])
    for part in ("tick_isr", "ticks", "sleep_ticks", "floppy_begin", "floppy.s:"):
        assert part in text
    assert "base 28h" in verdict.remedy[0]


def test_a_disk_that_cannot_be_kept_costs_the_verdict_nothing(
        tmp_path: Path, preburn: Callable[..., subprocess.CompletedProcess[str]]) -> None:
    image = filled(FORMATS["720K"], 0xE5, "made here")
    make(image, "tidewater").write("note", b"tide\n")
    (tmp_path / "d.img").write_bytes(image.data)
    path = backplane(tmp_path, "d.img", "720K")
    (tmp_path / "d.img").chmod(0o444)
    done = preburn("boot", path, "--keep", "--limit", "1")
    assert done.returncode == 2
    assert done.stderr == (f"preburn: {tmp_path / 'd.img'}: is read-only; make it writable (chmod "
                           f"u+w) or name another medium.\n")
    assert "Tidewater" not in done.stdout  # found before the run
    (tmp_path / "d.img").chmod(0o644)
    done = preburn("boot", path, "--keep", "--limit", "30", "--send", r"gauge\r", "--after", "ing",
                   "--send", r"disk attach\r", "--after", "a Tidewater disk", "--send",
                   r"log archive\r")
    assert done.returncode == 0
    assert f"kept: {tmp_path / 'd.img'}" in done.stdout
    assert need(Disk.open(tmp_path / "d.img", None).image).read("note") == b"tide\n"


@pytest.mark.parametrize("limit", ["1.291", "2.042", "6.491", "68.995", "70.156", "70.514"])
def test_a_healthy_machine_is_accused_at_no_moment(tmp_path: Path, limit: str) -> None:
    """In a format, in spin-ups, while a sleeper waits for the tick."""
    session = Session(Machine(load(backplane(tmp_path, "harbour.img", "720K"))), None,
                      Fraction(limit), read_script(TIDEWATER / "archive.script"))
    session.run()
    verdict = explain(session)
    assert verdict.cause is None
    assert verdict.verdict in ("still-running", "waiting-for-input")
