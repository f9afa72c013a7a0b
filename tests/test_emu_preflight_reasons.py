"""Each promise of the page before burning: a good machine, and one that breaks just that."""
from __future__ import annotations

import shlex
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import pytest

from emu.backplane.description import load
from emu.diagnosis import explain
from emu.errors import InputError
from emu.machine.machine import Machine
from emu.preflight.item import GO, NO_GO, NOTE, Item
from emu.preflight.page import after_boot, before_boot
from emu.run.script import sends_of
from emu.run.session import Session

CAGE = """
name = "cage"
[backplane]
chain = ["ctc", "sio"]
[slot.cpu]
card = "z80-cpu"
clock = "{clock}"
[slot.memory]
card = "plain-memory"
image = "program.bin"
rom-size = 0x2000
{memory}
[slot.ctc]
card = "z80-ctc"
base = 0x28
[slot.sio]
card = "z80-sio"
base = 0x20
clock-a = "614.4 kHz"
terminal-a = {{ baud = 9600, format = "8N1", flow = "none" }}
{slots}
"""
SET_UP = (bytes.fromhex("310090 ED5E 3E90 ED47")  # LD SP,9000h; IM 2; LD A,90h; LD I,A
          # the table: CTC channel 0's vector 10h to 0180h, the SIO's vector 20h to 0190h
          + bytes.fromhex("218001 221090 219001 222090")
          # vector 10h; timer, /256 * 250: an interrupt every 64,000 T; SIO channel B: WR2 = 20h
          + bytes.fromhex("3E10 D328 3EA7 D328 3EFA D328 3E02 D323 3E20 D323")
          # SIO channel A at 9600: WR4 x64 8N1, WR3 receiver on, WR1 an interrupt a character
          + bytes.fromhex("3E04 D321 3EC4 D321 3E03 D321 3EC1 D321 3E01 D321 3E18 D321"))
# EI; loop: LD A,(8000h); OR A; JR Z,loop; XOR A; LD (8000h),A; JR loop
IDLE = bytes.fromhex("FB 3A0080 B7 28FA AF 320080 18F4")
TICK = bytes.fromhex("FB ED4D")  # EI; RETI
# PUSH AF; IN A,(20h); LD (8000h),A; POP AF; EI; RETI
RECEIVED = bytes.fromhex("F5 DB20 320080 F1 FB ED4D")


def image(idle: bytes = IDLE, tick: bytes = TICK, received: bytes = RECEIVED,
          fill: int = 0x76) -> bytes:
    """Lay the program out: set-up and idle loop at 0, handlers at 0180h and 0190h."""
    rom = bytearray([fill]) * 0x2000
    for at, code in ((0, SET_UP + idle), (0x180, tick), (0x190, received)):
        rom[at:at + len(code)] = code
    return bytes(rom)


@pytest.fixture
def page(tmp_path: Path) -> Callable[..., list[Item]]:
    def make(rom: bytes | None = None, record: Path | None = None, keys: str = "",
             grade: float = 70, clock: str = "4 MHz", **text: str) -> list[Item]:
        (tmp_path / "program.bin").write_bytes(image() if rom is None else rom)
        path = tmp_path / "cage.toml"
        path.write_text(CAGE.format(clock=clock, memory=text.get("memory", ""),
                                    slots=text.get("slots", "")))
        steps = sends_of((keys,), (), Fraction(1, 20)) if keys else []
        session = Session(Machine(load(path)), None, Fraction(3, 10), steps)
        session.run()
        return [*before_boot(session.machine),
                *after_boot(session, explain(session), record, {"memory": grade})]

    return make


def against(found: list[Item]) -> dict[str, str]:
    """Give the levels of what does not stand at go."""
    return {item.title: item.level for item in found if item.level != GO}


def said(found: list[Item], title: str) -> str:
    return next(item.text for item in found if item.title == title)


def test_a_good_one_is_go_in_every_line(page) -> None:
    found = page(keys="abc")
    assert against(found) == {}
    assert {item.title for item in found} == {
        "wiring", "memory: size", "memory: fill", "boot", "vectors", "stack", "interrupts off",
        "memory: access time", "latency", "sio: receive a"}
    assert "10h (pointer at 9010h) to 0180h; 20h (pointer at 9020h) to 0190h" in said(
        found, "vectors")
    # the handler of a character: acknowledge 19 T, PUSH 11, IN 11, LD 13, POP 10, EI 4 (UM0080);
    # off to behind EI, and a request waits for RETI, 14 T, as well
    assert said(found, "interrupts off").startswith("68 T (17 us) at most, from the acknowledge "
                                                    "that called 0190h")
    assert "waits 82 T (20.5 us)" in said(found, "latency")
    # three characters of ten bits at 9600 baud: 3.125 ms
    assert said(found, "sio: receive a").startswith("12500 T (3125 us) allowed, 82 T")


def test_two_cards_at_a_port(page) -> None:
    found = page(slots='[slot.lamps]\ncard = "parallel-latch"\nbase = 0x2A\n')
    assert against(found) == {"wiring": NO_GO}
    assert "ctc" in said(found, "wiring") and "2Ah" in said(found, "wiring")


def test_a_hang(page) -> None:
    found = page(image(idle=bytes.fromhex("F3 76")))
    assert found and against(found)["boot"] == NO_GO
    assert {title for title, level in against(found).items() if level == NO_GO} == {"boot"}


def test_a_text_that_does_not_come(preburn, page, tmp_path: Path) -> None:
    """Waiting for input is no boot when a text was asked for."""
    page()
    script = tmp_path / "s.txt"
    script.write_text('expect "never" within 0.1 s\n')
    for options, place in ((("--until", "never"), "The text 'never' did not come."),
                           (("--script", script), "s.txt:1: the text 'never' did not come.")):
        done = preburn("preflight", tmp_path / "cage.toml", "--limit", "0.2", *options)
        assert done.returncode == 1
        assert ": no-go: 1 reason against burning it." in done.stdout
        assert place in done.stdout


def test_a_program_of_handlers_alone_needs_a_word(page) -> None:
    """Nothing tells whether HALT; JR, with all done by handlers, has booted."""
    found = page(image(idle=bytes.fromhex("FB 7618FD")))
    assert against(found) == {"boot": NO_GO}
    assert said(found, "boot").endswith("Say with --until what it shows once it has booted.")


def test_another_run_than_the_record(page, tmp_path: Path, preburn) -> None:
    page()
    good = tmp_path / "good.json"
    done = preburn("record", tmp_path / "cage.toml", "--limit", "0.3", "-o", good)
    assert done.returncode == 0, done.stdout + done.stderr
    assert against(page(record=good)) == {}
    found = page(image(idle=b"\0" + IDLE), record=good)
    assert against(found) == {"record": NO_GO}


def test_too_large_for_its_chip(page) -> None:
    with pytest.raises(InputError, match=r"program\.bin: holds 8193 bytes at 0000h, but the chip "
                                         r"ends at 1FFFh; link the code lower or fit a larger"):
        page(image() + b"\0")


@pytest.mark.parametrize(("fill", "words"), [(0xFF, "RST 38h"), (0x00, "NOP"), (0xA5, "A5h")])
def test_a_fill_that_stops_nobody(page, fill: int, words: str) -> None:
    found = page(image(fill=fill))
    assert against(found) == {"memory: fill": NOTE}
    assert words in said(found, "memory: fill")


def test_an_odd_vector(page) -> None:
    """The SIO gives WR2 as it was written: 21h, and the pointer's bytes one place further on."""
    rom = image().replace(bytes.fromhex("222090"), bytes.fromhex("222190")).replace(
        bytes.fromhex("3E20 D323"), bytes.fromhex("3E21 D323"))
    found = page(rom, keys="a")
    assert against(found) == {"vectors": NO_GO}
    assert "vector 21h is odd" in said(found, "vectors") and "9021h" in said(found, "vectors")


def test_a_vector_that_nobody_gives(page) -> None:
    """/INT held by a card without a vector: FFh floats, and 90FFh points to EI; RETI."""
    acia = ('[slot.acia]\ncard = "acia-6850"\nbase = 0x40\nclock = "614.4 kHz"\n'
            'terminal = { baud = 9600, format = "8N1", flow = "none" }\n')
    # LD HL,0180h; LD (90FFh),HL; ACIA: reset, /64 8N1 with the transmitter's interrupt; then
    # the interrupt never ends, so the boot itself is no-go as well
    code = bytes.fromhex("218001 22FF90 3E03 D340 3E36 D340")
    found = page(image(idle=code + IDLE), slots=acia)
    assert against(found)["vectors"] == NO_GO
    assert [i.text for i in found if i.title == "vectors" and i.level == NO_GO][0].endswith(
        "Poll the card that asked, or set up what gives its vector.")


def test_a_table_that_is_not_where_the_vector_points(page, tmp_path: Path) -> None:
    """The pointer leads two bytes into the handler: a name stands elsewhere."""
    (tmp_path / "names.map").write_text("received = 0x018e\ntick = 0x0180\n")
    found = page(keys="a", memory='symbols = "names.map"')
    assert against(found) == {"vectors": NOTE}
    assert "vector 20h leads to 0190h, received+2" in said(found, "vectors")
    assert "at 9020h, aligned as the chips count?" in said(found, "vectors")


def test_a_stack_that_nearly_meets_the_data(page) -> None:
    # a return address and AF: the stack reaches down to 8FFCh.  Its loop uses 8FEEh and 8FEFh,
    # then 8FF6h and 8FF7h: EI; loop: LD HL,(8FEEh); LD A,(8000h); OR A; JR Z,loop; ...
    for at, room, level in (("EE", 12, NOTE), ("F6", 4, NO_GO)):
        idle = bytes.fromhex(f"FB 2A{at}8F 3A0080 B7 28F7 AF 320080 18F1")
        found = page(image(idle=idle), keys="a")
        assert against(found) == {"stack": level}
        assert f"{room} unused bytes below it" in said(found, "stack")


def test_interrupts_off_for_too_long(page) -> None:
    """DI; LD BC,256 * 8; a loop of 26 T; EI: 53 ms, and three characters take 3.125 ms."""
    # loop: DI; LD BC,0800h; DEC BC; LD A,B; OR C; JR NZ; EI; NOP; then the loop that waits
    idle = bytes.fromhex("F3 010008 0B 78 B1 20FB FB 00 3A0080 B7 28EF AF 320080 18E9")
    off = 10 + 2048 * (6 + 4 + 4 + 12) - 5 + 4
    found = page(image(idle=idle), keys="abcdefgh")
    assert against(found)["sio: receive a"] == NO_GO
    assert said(found, "interrupts off").startswith(f"{off} T ")
    # a request right behind DI waits for all of it, and for NOP
    assert f"waits {4 + off + 4} T " in said(found, "latency")


def test_interrupts_off_for_long_when_nothing_came(page) -> None:
    """The same stretch once, before the characters: possible, but not measured: a note."""
    # EI; NOP; DI; LD BC,0400h; the loop; EI; NOP; the loop that waits: 26 ms, once
    idle = bytes.fromhex("FB 00 F3 010004 0B 78 B1 20FB") + b"\xfb\x00" + IDLE[1:]
    off = 10 + 1024 * 26 - 5 + 4
    found = page(image(idle=idle), keys="a")
    assert against(found) == {"sio: receive a": NOTE}
    assert f"{4 + off + 4} T " in said(found, "sio: receive a")
    assert said(found, "sio: receive a").endswith("not measured.")


@pytest.mark.parametrize(("clock", "grade", "memory", "level", "words"), [
    # 8 MHz: 1.5 * 125 - 90 = 97.5 ns for a fetch, 2 * 125 - 90 = 160 ns for a read
    ("8 MHz", 70, "", GO, "98 ns (222 with a wait state) from the strobe in a fetch and 160 ns"),
    ("8 MHz", 90, "", NOTE, "its 90 ns chips leave 8 ns"),
    ("8 MHz", 120, "", NO_GO, "too slow for a fetch; set waits-m1 = 1 in its slot, or fit chips "
                              "of 78 ns"),
    ("8 MHz", 120, "waits-m1 = 1", GO, "222 ns (98 without its wait state)"),
    ("8 MHz", 200, "waits-m1 = 1", NO_GO, "too slow for a read; set waits-mem = 1 in its slot"),
    ("8 MHz", 450, "", NO_GO, "too slow for a fetch and a read; set waits-m1 = 3 and "
                              "waits-mem = 3 in its slot"),
    ("8 MHz", 450, "waits-m1 = 3\nwaits-mem = 3", NOTE, "its 450 ns chips leave 22 ns"),
])
def test_access_time(page, clock: str, grade: float, memory: str, level: str, words: str) -> None:
    found = page(clock=clock, grade=grade, memory=memory)
    assert against(found) == ({} if level == GO else {"memory: access time": level})
    assert words in said(found, "memory: access time")


def test_the_page_in_the_docs(preburn, roms: Path) -> None:
    text = (roms.parent / "docs/preflight.md").read_text()
    command, _, shown = text.split("```text\n$ preburn ")[1].split("```")[0].partition("\n")
    done = preburn(*shlex.split(command))
    assert done.stdout.replace(f"{roms.parent}/", "") == shown


def test_what_was_measured_of_a_long_run(page, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("emu.preflight.measure.MOST", 400_000)
    found = page()
    assert against(found) == {"measured": NOTE}
    assert "first 0.1 s of 0.3 s" in said(found, "measured")
