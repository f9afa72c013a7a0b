"""The banked memory card: what each window shows, reset, schemes, warnings."""
from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from card_bench import Bench
from memory_bench import peek, poke

from emu.bus.state import NOBODY
from emu.errors import InputError
from emu.files.image import load_image
from peripherals.banked_memory import CARD
from peripherals.card import roles
from peripherals.parallel_latch import CARD as LATCH
from peripherals.ppi_8255 import CARD as PPI
from peripherals.z80_sio import CARD as SIO

EXAMPLE = (0x00, 0x01, 0x02, 0x03, 0x40, 0x41, 0x42, 0x7F)  # page registers, window 0 to 7


def numbered(tmp_path: Path, size: int, page: int) -> Any:
    """Make an image in which every page holds its number everywhere."""
    path = tmp_path / "pages.bin"
    path.write_bytes(b"".join(bytes([n & 0xFF]) * page for n in range(size // page)))
    return load_image(path)


def place(bench: Bench, address: int) -> int:
    """Give the physical place behind an address, by the map."""
    return int(bench.m.read_base[address >> 12]) + (address & 0xFFF)


def on(bench: Bench, pages: Any = EXAMPLE) -> Bench:
    """Write the page registers and turn paging on."""
    for register, page in enumerate(pages):
        bench.write(register, page)
    bench.write("latch", 1)
    return bench


# Physical address = page[A15:A13] << 13 | A12:A0; flash first, RAM behind it.
@pytest.mark.parametrize(("address", "physical"), [
    (0x0000, 0x00000), (0x2001, 0x02001), (0x8000, 0x80000), (0xFFFF, 0xFFFFF)])
def test_address_is_page_and_offset(address: int, physical: int) -> None:
    assert place(on(Bench(CARD)), address) == physical


def test_paging_off_shows_flash_page_0_everywhere() -> None:
    bench = Bench(CARD)
    assert [place(bench, a) for a in (0xC123, 0x0123, 0xFFFF)] == [0x123, 0x123, 0x1FFF]
    assert bench.words()[0] == "paging off: every window shows flash page 0"


@pytest.mark.parametrize("size", [4096, 8192, 16384, 32768])
def test_windows_of_any_size(tmp_path: Path, size: int) -> None:
    windows = 65536 // size
    bench = Bench(CARD, {"window-size": size, "page-bits": 8, "ram-page": 0xC0},
                  images={"image": numbered(tmp_path, 0x80000, size)})
    flash = 0x80000 // size
    pages = [(7 * n + 1) % flash for n in range(windows)]
    pages[-1] = 0xC1
    on(bench, pages)
    for window, page in enumerate(pages[:-1]):
        assert peek(bench, window * size) == peek(bench, window * size + size - 1) == page & 0xFF
    last = 65536 - size
    poke(bench, last + 5, 0x77)
    assert place(bench, last + 5) == 0x80000 + size + 5
    assert int(bench.m.phys[0x80000 + size + 5]) == 0x77


def test_registers_beyond_the_windows_do_nothing() -> None:
    bench = on(Bench(CARD, {"window-size": 16384, "ram-page": 0x40}), (0, 1, 2, 3))
    before = bench.m.read_base.tolist()
    bench.write("page4", 9)
    assert bench.m.read_base.tolist() == before


def test_registers_cannot_be_read() -> None:
    bench = on(Bench(CARD))
    assert [bench.read(r) for r in ("page0", "page7", "latch")] == [-1, -1, -1]


def test_only_the_page_bits_count() -> None:
    bench = on(Bench(CARD, {"page-bits": 5}), (0xE3, 0xFF))
    assert [place(bench, a) for a in (0, 0x2000)] == [3 << 13, 31 << 13]


def test_pages_without_a_chip_float() -> None:
    bench = on(Bench(CARD, {"flash-size": 0x20000, "ram-size": 0x8000}),
               (0, 0x10, 0x3F, 0x40, 0x43, 0x44, 0x7F, 0x0F))
    floating = []
    for window in range(8):
        reads = int(bench.m.empty_reads)
        peek(bench, window << 13)
        floating.append(int(bench.m.empty_reads) - reads)
    assert floating == [0, 1, 1, 0, 0, 1, 1, 0]
    peek(bench, 0x2000)
    assert int(bench.m.bus_driver) == NOBODY
    assert bench.words()[1] == "windows show pages 00 -- -- 40 43 -- -- 0F"


def test_small_chips_can_show_again() -> None:
    bench = on(Bench(CARD, {"flash-size": 0x20000, "ram-size": 0x8000, "beyond-chips": "repeat"}),
               (0x10, 0x3F, 0x44, 0x7F))
    assert [place(bench, w << 13) for w in range(4)] == [
        0, 15 << 13, 0x20000, 0x20000 + (3 << 13)]


def test_reset_turns_paging_off_and_keeps_the_pages() -> None:
    bench = on(Bench(CARD))
    bench.reset()
    assert place(bench, 0xE000) == 0
    bench.write("latch", 1)
    assert place(bench, 0xFFFF) == 0xFFFFF


def test_page_registers_hold_noise_at_power_on() -> None:
    def pages(seed: int) -> list[int]:
        return Bench(CARD, seed=seed).s.page[:8].tolist()

    assert pages(1) == pages(1)
    assert pages(1) != pages(2)
    assert len(set(pages(3))) > 3


def test_what_reset_clears_is_a_jumper() -> None:
    kept = Bench(CARD, {"reset-clears": ()})
    on(kept)
    kept.reset()
    assert place(kept, 0xFFFF) == 0xFFFFF
    cleared = Bench(CARD, {"reset-clears": ("latch", "pages")})
    on(cleared)
    cleared.reset()
    cleared.write("latch", 1)
    assert place(cleared, 0xFFFF) == 0x1FFF


def test_paging_may_be_always_on() -> None:
    bench = Bench(CARD, {"paging": "always", "reset-clears": ("pages",)})
    assert place(bench, 0x2000) == 0
    bench.write("page1", 0x41)
    assert place(bench, 0x2000) == 0x82000


def test_paging_bit_in_a_page_register() -> None:
    bench = Bench(CARD, {"paging": "bit", "paging-register": "page0", "paging-bit": 7,
                         "reset-clears": ("pages",)})
    bench.write("page1", 0x41)
    assert place(bench, 0x2000) == 0
    bench.write("page0", 0x82)
    assert [place(bench, a) for a in (0, 0x2000)] == [2 << 13, 0x82000]
    bench.write("page0", 0x02)
    assert [place(bench, a) for a in (0, 0x2000)] == [0, 0]


def test_paging_bit_of_the_latch() -> None:
    bench = on(Bench(CARD, {"paging-bit": 5}))
    assert place(bench, 0xE000) == 0
    bench.write("latch", 0x20)
    assert place(bench, 0xE000) == 0xFE000


@pytest.mark.parametrize(("settings", "names"), [
    ({}, [f"page{n}" for n in range(8)] + ["latch"]),
    ({"window-size": 16384}, ["page0", "page1", "page2", "page3", "latch"]),
    ({"window-size": 32768, "paging": "always"}, ["page0", "page1"]),
    ({"scheme": "overlay"}, ["latch"])])
def test_usual_order_of_ports(settings: dict[str, Any], names: list[str]) -> None:
    defaults = {j.name: j.default for j in CARD.jumpers}
    assert CARD.order is not None
    assert list(CARD.order({**defaults, **settings})) == names


# --- overlay --------------------------------------------------------------------------------
OVERLAY = {"scheme": "overlay", "window-size": 16384, "ram-page": 0x40, "bank-shift": 3,
           "bank-bits": 4, "common-bank": 5}


def test_overlay_shows_rom_over_the_lower_half() -> None:
    bench = Bench(CARD, OVERLAY)
    assert [place(bench, a) for a in (0, 0x7FFF)] == [0, 0x7FFF]
    assert [place(bench, a) for a in (0x8000, 0xFFFF)] == [0xA8000, 0xAFFFF]
    assert bench.words()[0] == "ROM in the lower half"


def test_overlay_bank_field_moves_the_lower_half_only() -> None:
    bench = Bench(CARD, OVERLAY)
    for bank in (0, 1, 9, 15):
        bench.write("latch", 1 | bank << 3)
        assert place(bench, 0x1234) == 0x80000 + bank * 0x8000 + 0x1234
        assert place(bench, 0x7FFF) == 0x80000 + bank * 0x8000 + 0x7FFF
        assert place(bench, 0x8000) == 0xA8000
    bench.reset()
    assert place(bench, 0x1234) == 0x1234


def test_overlay_rom_may_cover_16_kib() -> None:
    bench = Bench(CARD, {**OVERLAY, "rom-area": 16384})
    bench.write("latch", 3 << 3)  # ROM in, bank 3
    assert [place(bench, a) for a in (0x3FFF, 0x4000)] == [0x3FFF, 0x80000 + 0x1C000]
    bench.write("latch", 3 << 3 | 1)
    assert place(bench, 0x3FFF) == 0x80000 + 0x1BFFF


# --- warnings and refusals ------------------------------------------------------------------
def test_page_change_under_pc_and_sp_is_counted() -> None:
    bench = on(Bench(CARD))
    bench.m.pc, bench.m.sp = 0x2102, 0xFFF0
    bench.write("page1", 1)  # no change
    bench.write("page4", 9)  # neither
    assert (int(bench.s.pulled_pc), int(bench.s.pulled_sp)) == (0, 0)
    bench.write("page1", 5)
    bench.write("page7", 0x7E)
    assert (int(bench.s.pulled_pc), int(bench.s.pulled_sp)) == (1, 1)
    assert "1 page changes under the running program, the last before 2102h" in bench.words()
    assert "1 page changes under the stack, the last before 2102h" in bench.words()


def test_turning_paging_on_where_the_page_stays_is_no_warning() -> None:
    bench = Bench(CARD)
    bench.m.pc = 0x0100
    on(bench)
    assert int(bench.s.pulled_pc) == 0
    bench.m.pc = 0x6100
    bench.write("latch", 0)
    assert int(bench.s.pulled_pc) == 1


def test_image_larger_than_the_chip_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "big.bin"
    path.write_bytes(bytes(0x20001))
    with pytest.raises(InputError, match="link the code lower or fit a larger chip"):
        Bench(CARD, {"flash-size": 0x20000}, images={"image": load_image(path)})


def test_rest_of_the_chip_is_blank(tmp_path: Path) -> None:
    path = tmp_path / "small.bin"
    path.write_bytes(b"\x01\x02\x03")
    bench = Bench(CARD, images={"image": load_image(path)})
    assert [peek(bench, a) for a in range(5)] == [1, 2, 3, 0xFF, 0xFF]


def test_other_sizes_are_rom_without_commands(tmp_path: Path) -> None:
    bench = Bench(CARD, {"flash-size": 0x8000})
    for address, value in ((0x1555, 0xAA), (0x0AAA, 0x55), (0x1555, 0x90)):
        poke(bench, address, value)
    assert peek(bench, 0) == 0xFF
    assert int(bench.m.rom_writes) == 3


@pytest.mark.parametrize(("settings", "text"), [
    ({"ram-size": 12288}, "slot.slot0: ram-size = 12288 is not a whole number of windows of 8192 "
     "bytes; change one of them."),
    ({"ram-page": 0x3F}, "slot.slot0: ram-page = 63 lies in the flash, which has pages 0 to 63; "
     "start the RAM behind it."),
    ({"window-size": 32768, "paging": "bit", "paging-register": "page2"},
     "slot.slot0: paging-register = 'page2', but there are only 2 windows; name one of theirs.")])
def test_contradictions_are_refused(settings: dict[str, Any], text: str) -> None:
    with pytest.raises(InputError) as error:
        Bench(CARD, settings)
    assert str(error.value) == text


@pytest.mark.parametrize("settings", [{}, OVERLAY, {"flash-size": 0x20000, "ram-size": 0x8000,
                                                    "beyond-chips": "repeat"}])
def test_machine_code_does_the_same(settings: dict[str, Any]) -> None:
    plain, native = (Bench(CARD, settings, native=n) for n in (False, True))
    script = np.random.default_rng(11)
    for _ in range(300):
        register, byte = int(script.integers(17)), int(script.integers(256))
        for bench in (plain, native):
            bench.m.pc = bench.m.sp = 0x1000 * (byte & 15)
            bench.write(register, byte)
        assert plain.m.read_base.tolist() == native.m.read_base.tolist()
        assert plain.m.write_base.tolist() == native.m.write_base.tolist()
    assert plain.s.tobytes() == native.s.tobytes()
    assert int(plain.s.pulled_pc) > 10


# --- bits by wire: common practice, no source -----------------------------------------------
def wired(bits: dict[str, str], settings: Any = None, other: Any = LATCH) -> Bench:
    return Bench(CARD, settings, also=[(other, {})],
                 wires=[(1, output, 0, bit) for output, bit in bits.items()])


def shown(bench: Bench) -> list[int]:
    return [place(bench, window << 13) >> 13 for window in range(8)]


def test_a_latch_bit_takes_the_place_of_a_page_bit() -> None:
    bench = on(wired({"q3": "bit1"}), [0x44] * 8)
    assert shown(bench) == [0x44] * 8
    bench.write("outputs", 0x08, slot=1)
    assert shown(bench) == [0x46] * 8
    bench.write("page2", 0x41)
    assert shown(bench) == [0x46, 0x46, 0x43, *[0x46] * 5]
    bench.write("outputs", 0x00, slot=1)
    assert shown(bench) == [0x44, 0x44, 0x41, *[0x44] * 5]
    bench.write("latch", 0)
    assert shown(bench) == [0] * 8  # no register counts while paging is off


def test_a_wired_bit_counts_in_the_windows_that_are_named() -> None:
    bench = on(wired({"q0": "bit0", "q1": "bit6"}, {"wired-windows": (6, 7)}), [2] * 8)
    bench.write("outputs", 3, slot=1)
    assert shown(bench) == [2] * 6 + [0x43] * 2
    assert "by wire: bit 0 is 1, bit 6 is 1" in bench.words()


def test_rts_of_a_serial_chip_switches_a_page() -> None:
    """RTS is low while it is on (WR5 bit 1, UM0081)."""
    bench = on(wired({"rts-b": "bit0"}, other=SIO), [0x40] * 8)
    assert shown(bench) == [0x41] * 8
    for byte in (4, 0x44, 5, 0x02):
        bench.write("b-control", byte, bench.t + 9, slot=1)
    assert shown(bench) == [0x40] * 8


def test_a_bit_of_a_parallel_chip_switches_a_page() -> None:
    bench = on(wired({"c7": "bit2"}, other=PPI), [0x40] * 8)
    bench.write("control", 0x80, slot=1)  # all outputs, and they are 0
    bench.write("control", 0x0F, slot=1)  # PC7 set
    assert shown(bench) == [0x44] * 8


def test_a_wire_switches_bank_and_rom_of_an_overlay() -> None:
    overlay = {"scheme": "overlay", "window-size": 32768, "flash-size": 32768, "ram-page": 1,
               "bank-shift": 3, "bank-bits": 2, "paging-bit": 0, "common-bank": 0}
    bench = wired({"q0": "bit0", "q1": "bit4"}, overlay)
    bench.write("latch", 0x08)
    assert place(bench, 0) == 0
    bench.write("outputs", 1, slot=1)
    assert place(bench, 0) == 32768 * 2  # RAM bank 1 behind 32 KiB of ROM
    bench.write("outputs", 3, slot=1)
    assert place(bench, 0) == 32768 * 4


def test_a_wire_that_pulls_the_page_from_under_the_program_is_noted() -> None:
    bench = on(wired({"q0": "bit0"}), [0x40] * 8)
    bench.m.pc = 0x4123
    bench.write("outputs", 1, slot=1)
    assert [c.code for c in CARD.complaints(bench.m, bench.s)] == [roles.PAGE_PULLED]


def test_a_wire_at_a_bit_that_does_not_count_is_refused() -> None:
    with pytest.raises(InputError, match="a wire ends at bit7, and page-bits = 7 counts bits 0 to "
                                         "6 only; wire one of those, or raise page-bits"):
        wired({"q0": "bit7"})
