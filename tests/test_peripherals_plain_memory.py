"""The plain memory card: what answers where, small chips, the ROM latch, noise."""
from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from card_bench import Bench
from memory_bench import peek, poke

from emu.bus.memory import refresh_map
from emu.bus.state import CALL, NOBODY
from emu.errors import InputError
from emu.files.image import Image, load_image
from emu.machine.places import places
from peripherals.plain_memory import CARD

NO_RAM, NO_ROM = {"ram-size": 0}, {"rom-size": 0}


@pytest.fixture
def image(tmp_path: Path) -> Any:
    """Give a function that makes a raw image of numbered bytes."""

    def make(size: int) -> Image:
        path = tmp_path / f"{size}.bin"
        path.write_bytes((np.arange(size) * 7 + np.arange(size) // 256).astype(np.uint8).tobytes())
        return load_image(path)

    return make


def content(at: int) -> int:
    """Give the byte that the fixture's image has at a place."""
    return (at * 7 + at // 256) & 0xFF


def test_rom_answers_and_takes_no_writes(image: Any) -> None:
    bench = Bench(CARD, images={"image": image(0x8000)})
    for address in (0, 0x1234, 0x7FFF):
        assert peek(bench, address) == content(address)
    poke(bench, 0x1234, content(0x1234) ^ 0xFF)
    assert peek(bench, 0x1234) == content(0x1234)
    assert (int(bench.m.rom_writes), int(bench.m.rom_write_at)) == (1, 0x1234)


def test_ram_keeps_what_is_written() -> None:
    bench = Bench(CARD)
    for address in (0x8000, 0xABCD, 0xFFFF):
        poke(bench, address, address >> 8 ^ 0x5A)
    assert [peek(bench, a) for a in (0x8000, 0xABCD, 0xFFFF)] == [0xDA, 0xF1, 0xA5]


def test_blank_rom_reads_ff() -> None:
    bench = Bench(CARD)
    assert {peek(bench, a) for a in range(0, 0x8000, 0x333)} == {0xFF}


def test_nobody_answers_beside_the_chips() -> None:
    bench = Bench(CARD, {"rom-size": 0x2000, "ram-size": 0x1000})
    assert peek(bench, 0x4000) == 0xFF
    assert int(bench.m.bus_driver) == NOBODY
    assert int(bench.m.empty_reads) == 1
    poke(bench, 0x4000, 1)
    assert int(bench.m.empty_writes) == 1


@pytest.mark.parametrize("size", [1024, 2048, 4096, 8192])
def test_small_rom_repeats_in_its_decode(image: Any, size: int) -> None:
    bench = Bench(CARD, {"rom-size": 0x4000, "rom-chip-size": size, **NO_RAM},
                  images={"image": image(size)})
    for address in (0, size - 1, size, 0x2345, 0x3FFF):
        assert peek(bench, address) == content(address % size)


@pytest.mark.parametrize("size", [1024, 2048])
def test_small_ram_in_part_of_a_page(size: int) -> None:
    bench = Bench(CARD, {**NO_ROM, "ram-start": 0x8400, "ram-size": size})
    end = 0x8400 + size
    poke(bench, 0x8400, 0x12)
    poke(bench, end - 1, 0x34)
    poke(bench, 0x83FF, 0x56)
    poke(bench, end, 0x78)
    assert [peek(bench, a) for a in (0x8400, end - 1)] == [0x12, 0x34]
    assert [peek(bench, a) for a in (0x83FF, end)] == [0xFF, 0xFF]


def test_small_ram_repeats_in_its_decode() -> None:
    bench = Bench(CARD, {**NO_ROM, "ram-size": 0x8000, "ram-chip-size": 0x400})
    poke(bench, 0x8123, 0x42)
    assert [peek(bench, a) for a in (0x8523, 0xFD23)] == [0x42, 0x42]
    assert peek(bench, 0x8124) == peek(bench, 0x9124)
    poke(bench, 0x9123, 0x43)
    assert peek(bench, 0x8123) == 0x43


def test_rom_and_ram_share_a_page(image: Any) -> None:
    bench = Bench(CARD, {"rom-size": 0x800, "ram-start": 0x800, "ram-size": 0x400},
                  images={"image": image(0x800)})
    poke(bench, 0x7FF, 0)
    poke(bench, 0x800, 0x99)
    assert (peek(bench, 0x7FF), peek(bench, 0x800), peek(bench, 0xC00)) == (
        content(0x7FF), 0x99, 0xFF)
    assert int(bench.m.rom_writes) == 1


def test_rom_answers_before_ram_in_whole_and_in_shared_pages(image: Any) -> None:
    bench = Bench(CARD, {"rom-size": 0x1800, "ram-start": 0, "ram-size": 0x10000},
                  images={"image": image(0x1800)})
    assert [peek(bench, a) for a in (0x100, 0x17FF)] == [content(0x100), content(0x17FF)]
    poke(bench, 0x1800, 0x11)
    assert peek(bench, 0x1800) == 0x11


@pytest.mark.parametrize("size", [0x8000, 0x600])
def test_latch_switches_the_rom_off_and_reset_on(image: Any, size: int) -> None:
    bench = Bench(CARD, {"rom-size": size, "ram-start": 0, "ram-size": 0x10000,
                         "rom-off": "latch", "rom-off-bit": 3, "write-under": True},
                  images={"image": image(size)})
    poke(bench, 0x123, 0x77)
    assert peek(bench, 0x123) == content(0x123)
    bench.write("latch", 0xF7)
    assert peek(bench, 0x123) == content(0x123)
    bench.write("latch", 0x08)
    assert peek(bench, 0x123) == 0x77
    assert "switched off" in bench.words()[0]
    assert bench.read("latch") == -1
    bench.reset()
    assert peek(bench, 0x123) == content(0x123)
    assert int(bench.m.rom_writes) == 0


def test_without_write_under_the_ram_below_stays_as_it_was(image: Any) -> None:
    bench = Bench(CARD, {"ram-start": 0, "ram-size": 0x10000, "rom-off": "latch"},
                  images={"image": image(0x8000)})
    poke(bench, 0x123, 0x77)
    assert int(bench.m.rom_writes) == 1
    bench.write("latch", 1)
    first = peek(bench, 0x123)
    poke(bench, 0x123, first ^ 0xFF)
    bench.write("latch", 0)
    bench.write("latch", 1)
    assert peek(bench, 0x123) == first ^ 0xFF


def test_ram_noise_comes_from_the_seed() -> None:
    def noise(seed: int) -> bytes:
        bench = Bench(CARD, seed=seed)
        return bytes(peek(bench, 0x8000 + k) for k in range(64))

    assert noise(1) == noise(1)
    assert noise(1) != noise(2)
    assert len(set(noise(1))) > 20


def test_two_cards_side_by_side_and_in_conflict(image: Any) -> None:
    apart = Bench(CARD, {**NO_RAM}, also=[(CARD, NO_ROM)], images={"image": image(0x8000)})
    poke(apart, 0x8000, 5)
    assert (peek(apart, 0x8000), peek(apart, 0x10)) == (5, content(0x10))
    assert int(apart.m.conflicts) == 0
    both = Bench(CARD, {**NO_RAM}, also=[(CARD, {**NO_ROM, "ram-start": 0})],
                 images={"image": image(0x8000)})
    poke(both, 0x10, 0x0F)
    assert peek(both, 0x10) == content(0x10) & 0x0F
    assert int(both.m.conflicts) == 1


def test_cards_share_a_page_in_small_parts() -> None:
    bench = Bench(CARD, {**NO_ROM, "ram-start": 0x8000, "ram-size": 0x400},
                  also=[(CARD, {**NO_ROM, "ram-start": 0x8400, "ram-size": 0x400})])
    poke(bench, 0x83FF, 1)
    poke(bench, 0x8400, 2)
    assert [peek(bench, a) for a in (0x83FF, 0x8400, 0x8800)] == [1, 2, 0xFF]
    assert int(bench.m.conflicts) == 0


def test_image_linked_for_the_cpu_and_for_the_chip(tmp_path: Path, image: Any) -> None:
    start = {"rom-start": 0xE000, "rom-size": 0x2000, **NO_RAM}
    raw = Bench(CARD, start, images={"image": image(0x2000)})
    assert peek(raw, 0xE123) == content(0x123)
    (tmp_path / "high.hex").write_text(":03E12300AABBCCC8\n:00000001FF\n")
    linked = Bench(CARD, start, images={"image": load_image(tmp_path / "high.hex")})
    assert [peek(linked, a) for a in (0xE122, 0xE123, 0xE125)] == [0xFF, 0xAA, 0xCC]


def test_image_larger_than_the_chip_is_refused(image: Any) -> None:
    with pytest.raises(InputError, match="but the chip ends at 1FFFh; link the code lower or fit"):
        Bench(CARD, {"rom-size": 0x2000}, images={"image": image(0x2001)})


def test_chip_past_the_address_space_is_refused() -> None:
    with pytest.raises(InputError) as error:
        Bench(CARD, {"ram-start": 0xF000, "ram-size": 0x2000})
    assert str(error.value) == (
        "slot.slot0: ram-start = F000h and ram-size = 2000h reach past FFFFh; the RAM can have "
        "1000h bytes there.")


def test_machine_code_does_the_same(image: Any) -> None:
    setting = {"rom-size": 0x1400, "rom-chip-size": 0x800, "ram-start": 0x1000,
               "ram-size": 0xF000, "ram-chip-size": 0x3000, "rom-off": "latch"}
    plain, native = (Bench(CARD, setting, images={"image": image(0x800)}, native=n)
                     for n in (False, True))
    script = np.random.default_rng(5)
    for _ in range(300):
        address, value = int(script.integers(0x10000)), int(script.integers(256))
        if script.integers(20) == 0:
            for bench in (plain, native):
                bench.write("latch", value)
        for bench in (plain, native):
            poke(bench, address, value)
            refresh_map(bench.m)
        assert peek(plain, address) == peek(native, address)
    assert bytes(plain.m.phys[:0x10000]) == bytes(native.m.phys[:0x10000])
    assert plain.s.tobytes() == native.s.tobytes()


@pytest.mark.parametrize("settings", [
    {"rom-size": 0x1800, "ram-size": 0x800},
    {"rom-size": 0x2000, "ram-start": 0x8400, "ram-size": 0x1800, "ram-chip-size": 0x800},
    {"rom-size": 0x800, "ram-start": 0x400, "ram-size": 0x800},
])
def test_where_a_byte_stands_is_where_it_is_read(settings: dict[str, Any]) -> None:
    """A page of which the chips fill only a part is looked into like any other."""
    bench = Bench(CARD, settings)
    machine: Any = SimpleNamespace(
        m=bench.m, slots=[SimpleNamespace(card=CARD, state=bench.s)])
    size = int(bench.m.mem_size[0])
    bench.m.phys[:size] = np.random.default_rng(6).integers(0, 256, size)
    reads, writes = places(machine), places(machine, writing=True)
    in_part = [a for a in range(0, 0x10000, 0x55)
               if int(bench.m.read_base_true[a >> 12]) == CALL]
    assert in_part
    for address in in_part:
        held = int(bench.m.phys[reads[address]]) if reads[address] >= 0 else 0xFF
        assert peek(bench, address) == held, hex(address)
        before = bench.m.phys[:size].copy()
        poke(bench, address, held ^ 0x3C)
        changed = np.nonzero(bench.m.phys[:size] != before)[0].tolist()
        assert changed == ([int(writes[address])] if writes[address] >= 0 else []), hex(address)
