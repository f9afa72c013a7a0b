"""The wiring check: each finding on the smallest machine that has it."""
from __future__ import annotations

from pathlib import Path

import pytest

from emu.backplane.description import load
from emu.backplane.differences import differences
from emu.backplane.wiring_check import check

BASE = """
[slot.cpu]
card = "z80-cpu"
clock = "4 MHz"
[slot.memory]
card = "plain-memory"
image = "image.bin"
"""
CTC = '[slot.ctc]\ncard = "z80-ctc"\nbase = 0x28\n'
SIO = '[slot.sio]\ncard = "z80-sio"\nbase = 0x20\n'
ACIA = '[slot.acia]\ncard = "acia-6850"\nbase = 0x30\n'
UART = '[slot.uart]\ncard = "uart-16550"\nbase = 0xC8\n'
WIRE = '[[wire]]\nfrom = "ctc.zcto0"\nto = "sio.clock-a"\n'


def found(folder: Path, text: str) -> list[tuple[str, str, str]]:
    (folder / "image.bin").write_bytes(b"\xc3\x00\x00")
    (folder / "blank.bin").write_bytes(b"\xff\xff")
    path = folder / "m.toml"
    path.write_text(text)
    return [(f.level, f.code, f.slot) for f in check(load(path))]


def test_nothing_to_object_to(tmp_path: Path) -> None:
    text = '[backplane]\nchain = ["ctc", "sio"]\n' + BASE + CTC + SIO
    assert found(tmp_path, text) == []


@pytest.mark.parametrize(("text", "finding"), [
    (BASE + CTC + SIO.replace("0x20", "0x28"), ("error", "port-clash", "sio")),
    (BASE + CTC + SIO.replace("0x20", "0x08") + "mirrors = 0x20\n", ("error", "port-clash", "sio")),
    (BASE + CTC + "mirrors = 1\n", ("error", "decode-overlap", "ctc")),
    (BASE + CTC + SIO, ("warning", "no-chain", "sio")),
    ('[backplane]\nchain = ["ctc", "open", "sio"]\n' + BASE + CTC + SIO,
     ("error", "chain-break", "sio")),
    ('[backplane]\nchain = ["ctc"]\n' + BASE + CTC + SIO, ("warning", "not-in-chain", "sio")),
    (BASE + CTC + ACIA, ("warning", "mixed-modes", "acia")),
    (BASE + ACIA + 'clock = "1 MHz"\n', ("warning", "baud-error", "acia")),
    (BASE + UART + "terminal = { baud = 31250 }\n", ("warning", "baud-error", "uart")),
    (BASE + CTC + SIO + "terminal-a = { baud = 115200 }\n" + WIRE,
     ("warning", "baud-error", "sio")),
    (BASE + ACIA, ("note", "no-tick-source", "")),
    (BASE.replace('image = "image.bin"', ""), ("warning", "no-image", "memory")),
    (BASE.replace("image.bin", "blank.bin"), ("warning", "blank-start", "memory")),
    ('[slot.cpu]\ncard = "z80-cpu"\n', ("error", "no-memory", "")),
])
def test_findings(tmp_path: Path, text: str, finding: tuple[str, str, str]) -> None:
    assert finding in found(tmp_path, text)


def test_cards_apart_in_sixteen_bits_do_not_clash(tmp_path: Path) -> None:
    wide = CTC.replace("0x28", "0x128\ndecode = 16")
    apart = BASE + wide + SIO.replace("0x20", "0x228\ndecode = 16")
    assert not any(code == "port-clash" for _, code, _ in found(tmp_path, apart))
    # a card that ignores A15-A8 answers there too
    assert ("error", "port-clash", "sio") in found(tmp_path, BASE + wide
                                                   + SIO.replace("0x20", "0x28"))


def test_an_interrupt_jumper_off_takes_the_card_out_of_the_mix(tmp_path: Path) -> None:
    assert not any(code == "mixed-modes" for _, code, _ in
                   found(tmp_path, BASE + CTC + ACIA + "interrupt = false\n"))


PIO = '[slot.{}]\ncard = "z80-pio"\nbase = {}\n'
ROM_ONLY = BASE + "ram-size = 0\n"
LATCH = BASE + 'rom-off = "latch"\n'
FOUR = "".join(PIO.format(f"p{k}", hex(0x40 + 4 * k)) for k in range(4))
CHAIN = '[backplane]\nchain = ["p0", "p1", "p2", "p3"]\n'


def words(folder: Path, text: str, code: str, image: bytes = b"\xc3\x00\x00") -> list[str]:
    """Give the levels and texts of the findings of one code."""
    (folder / "image.bin").write_bytes(image)
    path = folder / "m.toml"
    path.write_text(text)
    return [f"{f.level}: {f.text} {f.remedy}" for f in check(load(path)) if f.code == code]


@pytest.mark.parametrize(("text", "code", "told"), [
    (BASE + '[slot.more]\ncard = "plain-memory"\nrom-size = 0\nram-start = 0x6000\n'
     "ram-size = 0x4000\n", "memory-clash",
     ["error: memory (ROM) and more (RAM) both answer at 6000h-7FFFh. Let them decode other "
      "addresses: see preburn cards plain-memory.",
      "error: memory (RAM) and more (RAM) both answer at 8000h-9FFFh. Let them decode other "
      "addresses: see preburn cards plain-memory."]),
    (ROM_ONLY, "no-ram", ["warning: no card has RAM: a CALL, an interrupt and a variable have no "
                          "place. Fit RAM, such as ram-size of plain-memory."]),
    (BASE + "ram-start = 0x4000\n", "ram-hidden",
     ["note: the RAM of memory at 4000h-7FFFh lies under its ROM and is never seen. Start the RAM "
      "behind the ROM, or let the ROM be switched off."]),
    (BASE + "ram-start = 0x4000\nwrite-under = true\n", "ram-hidden", []),
    (LATCH, "no-port", ["warning: latch of memory switches the memory at 0000h-7FFFh, and no port "
                        "leads to it. Set base in slot.memory."]),
    (LATCH + "base = 0x50\n", "no-port", []),
    (BASE + "base = 0x50\n" + SIO.replace("0x20", "20"), "decimal-port",
     ["warning: base = 20 of sio is port 14h, and the other ports are written in hex. Write 0x20 "
      "if 20h is meant."]),
    (BASE + SIO.replace("0x20", "20"), "decimal-port",
     ["note: base = 20 of sio is port 14h. Write 0x20 if 20h is meant."]),
    (BASE + SIO.replace("0x20", "8"), "decimal-port", []),
    (BASE + "base = 0x50\n" + SIO.replace("base = 0x20", "ports = { a-data = 40 }"),
     "decimal-port", ["warning: a-data = 40 of sio is port 28h, and the other ports are written in "
                      "hex. Write 0x40 if 40h is meant."]),
    (BASE + "ram-start = 8000\n", "decimal-address",
     ["warning: ram-start = 8000 of memory is 1F40h, where no chip begins or ends. Write 0x8000 if "
      "8000h is meant."]),
    (BASE + "ram-start = 32768\n", "decimal-address", []),
    (BASE + "rom-off-bit = 3\n", "idle-jumper",
     ["warning: rom-off-bit of memory counts for nothing: rom-off is not set, so it is 'never'. "
      "Set rom-off to 'latch', or leave rom-off-bit out."]),
    (BASE + 'rom-off = "never"\nrom-off-bit = 3\n', "idle-jumper",
     ["warning: rom-off-bit of memory counts for nothing: rom-off is 'never'. "
      "Set rom-off to 'latch', or leave rom-off-bit out."]),
    (BASE + 'rom-off = "latch"\nrom-off-bit = 3\n', "idle-jumper", []),
    (BASE + SIO + 'clock-b = "614.4 kHz"\nterminal-a = { baud = 9600 }\n', "crossed-channels",
     ["warning: clock-b of sio is set, and terminal-a, but neither clock-a nor terminal-b. "
      "Is clock-a meant? Set both of one channel."]),
    (BASE + SIO + 'clock-a = "614.4 kHz"\nterminal-a = { baud = 9600 }\n', "crossed-channels", []),
    (BASE + SIO + 'clock-b = "none"\nterminal-b = { baud = 9600 }\n', "no-clock",
     ["warning: a terminal stands at sio, and nothing clocks its channel b: no wire, and clock-b "
      "is none. Give slot.sio a clock-b, or a wire to it."]),
    (BASE + CTC + SIO + 'clock-a = "none"\nterminal-a = { baud = 9600 }\n' + WIRE, "no-clock", []),
    (BASE + '[slot.dog]\ncard = "watchdog"\n', "unreachable",
     ["warning: no port and no wire leads to dog (watchdog): the program cannot tell that it is "
      "there. Set base in slot.dog, or wire it."]),
])
def test_what_is_told_and_what_is_not(tmp_path: Path, text: str, code: str,
                                      told: list[str]) -> None:
    assert words(tmp_path, text, code) == told


def test_folders_of_sources_that_are_not_there(tmp_path: Path) -> None:
    assert words(tmp_path, BASE + 'sources = [".", "none"]\n', "no-sources") == [
        f"warning: sources of memory names {tmp_path}/none, and there is no such folder. Name the "
        f"folder where the source files are, from the backplane file's."]


def test_the_program_tells_which_port_is_meant(tmp_path: Path) -> None:
    """base = 40 is 28h: an image that writes to 40h speaks against it, one that uses 28h for it."""
    text = BASE + CTC.replace("0x28", "40")
    there = bytes.fromhex("3e00 d340 d342")
    assert words(tmp_path, text, "decimal-port", there) == [
        "warning: base = 40 of ctc is port 28h, and the program uses the ports from 40h on. Write "
        "0x40 if 40h is meant."]
    assert words(tmp_path, text, "decimal-port", bytes.fromhex("3e00 d328 d342")) == []


def test_numbers_come_from_the_file_that_is_extended_too(tmp_path: Path) -> None:
    (tmp_path / "base.toml").write_text(BASE + SIO.replace("0x20", "20"))
    file = tmp_path / "m.toml"
    (tmp_path / "image.bin").write_bytes(b"\xc3")
    file.write_text('extends = "base.toml"\n')
    assert [f.code for f in check(load(file))] == ["no-tick-source", "decimal-port"]
    file.write_text('extends = "base.toml"\n[slot.sio]\nbase = 0x14\n')
    assert [f.code for f in check(load(file))] == ["no-tick-source"]


@pytest.mark.parametrize(("clock", "most"), [
    ("2.5 MHz", 4), ("4 MHz", 4), ("6 MHz", 3), ("8 MHz", 2)])
def test_a_chain_that_is_too_long_to_settle(tmp_path: Path, clock: str, most: int) -> None:
    """Technical manual of the Z80 PIO: four chips at most without external logic; the times of
    the faster grades from memory of the product specification."""
    fifth = PIO.format("p4", "0x60")
    text = (CHAIN.replace('"p3"', '"p3", "p4"') + BASE + FOUR + fifth).replace("4 MHz", clock)
    found = words(tmp_path, text, "chain-delay")
    assert len(found) == 1 and f"settle {most} in time" in found[0]
    open_below = text.replace('"p2",', '"open", "p2",').replace('"p4"]', '"open", "p4"]')
    assert words(tmp_path, open_below, "chain-delay") == []


def test_text_is_no_image(tmp_path: Path) -> None:
    assert words(tmp_path, BASE, "text-image", b"; the harbour's clock\n") == [
        "warning: image.bin in memory is text, not code: the CPU will run its letters. Name the "
        "file that the assembler or the linker wrote."]
    assert words(tmp_path, BASE, "text-image", b":03000000C300003A\n:00000001FF\n") == []


def differing(folder: Path, here: str, there: str) -> list[str]:
    (folder / "image.bin").write_bytes(b"\xc3\x00\x00")
    (folder / "other.bin").write_bytes(b"\xc3\x00\x01\x76")
    for name, text in (("a.toml", here), ("b.toml", there)):
        (folder / name).write_text(text)
    return differences(load(folder / "a.toml"), load(folder / "b.toml"))


@pytest.mark.parametrize(("here", "there", "told"), [
    (BASE + CTC, BASE + CTC.replace("0x28", "0x2C").replace("ctc\"\n", "ctc\"\nmirrors = 0x80\n"),
     ["slot ctc: register channel0 at 28h here, at 2Ch (mask 7Fh) there.",
      "slot ctc: register channel1 at 29h here, at 2Dh (mask 7Fh) there.",
      "slot ctc: register channel2 at 2Ah here, at 2Eh (mask 7Fh) there.",
      "slot ctc: register channel3 at 2Bh here, at 2Fh (mask 7Fh) there."]),
    (BASE, BASE.replace("image.bin", "other.bin"),
     ["slot memory: image: image.bin here, other.bin there; 2 bytes of them differ, at "
      "0002h-0003h."]),
    (BASE, BASE.replace('image = "image.bin"', ""),
     ["slot memory: image: an image here, none there."]),
    (BASE + CTC + SIO + WIRE, BASE + CTC + SIO,
     ["wire ctc.zcto0 to sio.clock-a only here."]),
    ('[backplane]\nchain = ["ctc", "sio"]\nfloating = "last-byte"\n' + BASE + CTC + SIO,
     BASE + CTC + SIO, ["chain: ctc > sio here, none there.",
                        "floating: last-byte here, pull-ups there."]),
    ("[backplane]\nlook-ahead = true\n" + BASE, BASE, ["look-ahead: True here, False there."]),
    (BASE, BASE.replace("4 MHz", "6.144 MHz"),
     ["slot cpu: clock = 4 MHz here, 6.144 MHz there."]),
    (BASE, BASE + '[[fault]]\nkind = "data-stuck"\nline = 3\nlevel = 0\n',
     ["fault data-stuck,line=3,level=0 only there."])])
def test_against_says_what_differs(tmp_path: Path, here: str, there: str,
                                   told: list[str]) -> None:
    assert differing(tmp_path, here, there) == told
    assert differing(tmp_path, here, here) == []


@pytest.mark.parametrize("text", [
    UART + "terminal = { baud = 9600 }\n", UART + "terminal = { baud = 300 }\n",
    CTC + SIO + "terminal-a = { baud = 15625 }\n" + WIRE])
def test_a_rate_that_a_divisor_or_a_counter_gives(tmp_path: Path, text: str) -> None:
    assert not any(code == "baud-error" for _, code, _ in found(tmp_path, BASE + text))


def long_chain(folder: Path, count: int, clock: str, more: str = "") -> list[str]:
    """Check a machine of so many CTCs in a chain: the text of chain-delay."""
    names = [f"ctc{k}" for k in range(count)]
    (folder / "image.bin").write_bytes(b"\xc3\x00\x00")
    path = folder / "m.toml"
    path.write_text(f"[backplane]\nchain = {names}\n{more}" + BASE.replace("4 MHz", clock)
                    + "".join(CTC.replace("[slot.ctc]", f"[slot.{name}]").replace(
                        "0x28", f"{0x80 + 4 * k}") for k, name in enumerate(names)))
    return [f.text for f in check(load(path)) if f.code == "chain-delay"]


def test_the_chains_formula_shows_its_numbers(tmp_path: Path) -> None:
    """z80_pio_more.md 3: five at 4 MHz need 720 ns and have 625."""
    text, = long_chain(tmp_path, 5, "4 MHz")
    assert "190 + 3 x 130 + 140 = 720 ns" in text and "2.5 clock periods, 625 ns" in text
    assert long_chain(tmp_path, 4, "4 MHz") == []
    assert long_chain(tmp_path, 5, "4 MHz", "look-ahead = true\n") == []


def test_a_clock_beyond_the_known_parts_goes_by_the_fastest(tmp_path: Path) -> None:
    text, = long_chain(tmp_path, 4, "10 MHz")
    assert "settle 2 in time" in text and "6.2 MHz part" in text
    assert long_chain(tmp_path, 3, "6.144 MHz") == []


PANEL = '[slot.panel]\ncard = "parallel-latch"\nports = { outputs = 0xF0, inputs = 0xF0 }\n'


def test_the_reading_and_the_writing_side_of_a_port_are_no_overlap(tmp_path: Path) -> None:
    """A latch and a buffer at one address: docs/cards.md has it so."""
    codes = {code for _, code, _ in found(tmp_path, BASE + PANEL)}
    assert not codes & {"decode-overlap", "port-clash"}
    assert ("error", "decode-overlap", "panel") in found(tmp_path, BASE + PANEL
                                                         + "read-back = true\n")


def test_two_cards_may_have_a_side_of_a_port_each(tmp_path: Path) -> None:
    lamps = '[slot.lamps]\ncard = "parallel-latch"\nports = { outputs = 0xF0 }\n'
    keys = '[slot.keys]\ncard = "parallel-latch"\nports = { inputs = 0xF0 }\n'
    assert not any(code == "port-clash" for _, code, _ in found(tmp_path, BASE + lamps + keys))
    assert ("error", "port-clash", "keys") in found(
        tmp_path, BASE + lamps + "read-back = true\n" + keys)
