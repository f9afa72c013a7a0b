"""Look into images, pack, split, compare, follow: against bytes worked out by hand."""
import json
import subprocess
import sys
import zlib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from intelhex import IntelHex

from emu.errors import InputError
from emu.files.image import load_image
from emu.romtools.chip import lay_out, next_chip, size_in_bytes
from emu.romtools.difference import Range, ranges
from emu.romtools.flow import PageMap, entries, follow
from emu.romtools.info import describe
from emu.romtools.packing import pack, split, write_new

ROOT = Path(__file__).parent.parent

# jump over a string to a loop that calls a routine in a page mapped at 8000h
PROGRAM = bytes.fromhex("C3 0C 00") + b"HELLO GAUGE"[:9] + bytes.fromhex("CD 00 80 18 FB")
ROUTINE = bytes.fromhex("3E 05 D3 10 C9")


@pytest.fixture
def paged(tmp_path: Path) -> Path:
    path = tmp_path / "paged.bin"
    path.write_bytes(PROGRAM.ljust(0x4000, b"\xff") + ROUTINE)
    return path


def test_info_tells_pages_sums_vectors_and_strings(paged: Path) -> None:
    found = describe(lay_out(load_image(paged)))
    assert found["chip_bytes"] == 0x8000
    assert [p["page"] for p in found["pages"]] == [0, 1]
    first = PROGRAM.ljust(0x4000, b"\xff")
    assert found["pages"][0]["crc32"] == zlib.crc32(first)
    assert found["pages"][0]["sum16"] == sum(first) % 65536
    assert found["pages"][1]["covered_bytes"] == len(ROUTINE)
    assert found["vectors"][0] == {"name": "reset", "address": 0, "instruction": "jp 0x000c",
                                   "target": 12}
    assert {"physical": 3, "text": "HELLO GAU"} in found["strings"]
    assert {"physical": 17, "bytes": 0x4000 - 17, "byte": 0xFF} in found["fills"]


def test_flow_follows_a_call_into_a_mapped_page(paged: Path) -> None:
    image = load_image(paged)
    alone = follow(PageMap(image), entries(image, []))
    assert [x.instruction.text for x in alone] == ["jp 0x000c", "call 0x8000", "jr 0x000c"]
    mapped = follow(PageMap(image, ((0x8000, 0x4000, 0x4000),)), entries(image, []))
    assert [(x.physical, x.instruction.address) for x in mapped[3:]] == [
        (0x4000, 0x8000), (0x4002, 0x8002), (0x4004, 0x8004)]


def test_a_mapped_page_comes_before_the_raw_file(tmp_path: Path) -> None:
    """In a raw image of a whole chip every address is taken: the user's page still counts."""
    path = tmp_path / "flash.bin"
    boot = bytes.fromhex("CD0040 76 18FA")  # CALL 4000h; HALT; JR 0
    path.write_bytes(boot.ljust(0x14000, b"\x76") + ROUTINE.ljust(0x4000, b"\x76"))
    image = load_image(path)
    found = follow(PageMap(image, ((0x4000, 0x14000, 0x4000),)), entries(image, []))
    assert [(x.physical, x.instruction.address) for x in found] == [
        (0, 0), (3, 3), (4, 4), (0x14000, 0x4000), (0x14002, 0x4002), (0x14004, 0x4004)]


@pytest.mark.parametrize("fill", [b"\x76", b"\xff"])
def test_unused_room_is_not_followed(tmp_path: Path, fill: bytes) -> None:
    path = tmp_path / "rom.bin"
    path.write_bytes(b"\xc3\x00\x10".ljust(0x2000, fill))  # JP 1000h, where nothing is
    image = load_image(path)
    found = follow(PageMap(image), entries(image, []))
    assert [x.physical for x in found] == [0, *([0x38] if fill == b"\xff" else []), 0x1000]


def test_flow_names_an_entry_point_that_is_not_there(paged: Path) -> None:
    image = load_image(paged)
    with pytest.raises(InputError, match=r"holds no byte at the entry point C000h"):
        follow(PageMap(image), entries(image, ["0xC000"]))


def test_pack_places_aligns_fills_and_sums(tmp_path: Path) -> None:
    (tmp_path / "a.bin").write_bytes(b"\x01\x02\x03")
    (tmp_path / "b.bin").write_bytes(b"\x10")
    packed = pack([f"{tmp_path}/a.bin", f"{tmp_path}/b.bin", f"{tmp_path}/b.bin@0x20"], 0x40,
                  fill=0x76, align=16, checksum_at=0x3E)
    assert packed.data[:3] == b"\x01\x02\x03" and packed.data[0x10] == packed.data[0x20] == 0x10
    assert packed.data[3:0x10] == b"\x76" * 13
    # the sum of the 62 other bytes, by hand: 6 + 2 * 16 + 57 * 76h
    assert packed.checksum == (0x3E, 6 + 32 + 57 * 0x76)
    assert int.from_bytes(packed.data[0x3E:], "little") == packed.checksum[1]


@pytest.mark.parametrize(("files", "size", "message"), [
    (["a.bin", "b.bin@1"], 64, r"b\.bin: overlaps .*a\.bin at 1h"),
    (["a.bin@62"], 64, r"a\.bin: reaches 40h, but the chip ends at 3Fh"),
    (["a.bin@last"], 64, r"a\.bin@ takes an address such as"),
    (["b.bin@-1"], 64, r"b\.bin@ takes an address such as 0x100 or 4000h, not '-1'"),
])
def test_pack_refuses_in_one_line(tmp_path: Path, files: list[str], size: int,
                                  message: str) -> None:
    (tmp_path / "a.bin").write_bytes(b"\x01\x02\x03")
    (tmp_path / "b.bin").write_bytes(b"\x10")
    with pytest.raises(InputError, match=message):
        pack([f"{tmp_path}/{name}" for name in files], size)


@given(st.binary(min_size=1, max_size=400), st.integers(1, 90))
def test_split_parts_join_to_the_whole(data: bytes, size: int) -> None:
    parts = split(data, size)
    assert b"".join(parts) == data
    assert all(len(part) == size for part in parts[:-1])


@given(st.binary(max_size=200), st.binary(max_size=200))
def test_ranges_hold_every_difference_and_no_more(a: bytes, b: bytes) -> None:
    found = ranges(a, b)
    size = max(len(a), len(b))
    differing = {k for k in range(size) if a[k:k + 1] != b[k:k + 1]}
    inside = {k for one in found for k in range(one.start, one.end)}
    assert differing <= inside and sum(one.count for one in found) == len(differing)
    assert all(one.start in differing and one.end - 1 in differing for one in found)


def test_ranges_end_with_their_page() -> None:
    found = ranges(b"\0" * 40, b"\1" * 40, 16)
    assert found == [Range(0, 16, 16), Range(16, 32, 16), Range(32, 40, 8)]


def test_ranges_join_near_differences() -> None:
    assert ranges(b"a" * 40, b"b" + b"a" * 5 + b"b" + b"a" * 33) == [Range(0, 7, 2)]


def test_sizes_and_chips() -> None:
    assert [size_in_bytes(x, "--size") for x in ("512K", "0x4000", "1M", "7")] == [
        524288, 16384, 1048576, 7]
    assert [next_chip(n) for n in (1, 8193, 65536)] == [8192, 16384, 65536]
    with pytest.raises(InputError, match="--page takes a size such as 512K"):
        size_in_bytes("17Q", "--page")


def test_pack_diff_and_split_as_a_builder_runs_them(preburn, roms: Path, tmp_path: Path) -> None:
    rom, other = tmp_path / "rom.hex", tmp_path / "other.bin"
    done = preburn("image", "pack", roms / "tidewater/tidewater.bin", "--size", "512K", "-o", rom)
    assert done.returncode == 0, done.stderr
    data = bytearray(IntelHex(str(rom)).tobinstr())
    assert len(data) == 512 << 10
    data[0x100] ^= 0xFF
    other.write_bytes(data)
    done = preburn("image", "diff", roms / "tidewater/tidewater.elf", other, "--json")
    assert done.returncode == 1
    found = json.loads(done.stdout)
    assert [r["physical"] for p in found["pages"] for r in p["ranges"]][0] == 0x100
    assert found["pages"][0]["ranges"][0]["name_a"]
    done = preburn("image", "split", other, "--size", "128K", "-o", tmp_path / "part.bin")
    assert done.returncode == 0 and len(list(tmp_path.glob("part-0?.bin"))) == 4
    done = preburn("image", "split", other, "--size", "128K", "-o", tmp_path / "part.bin")
    assert done.returncode == 2 and "part-00.bin: is there already" in done.stderr


def test_a_path_with_an_at_sign(tmp_path: Path) -> None:
    (tmp_path / "me@home").mkdir()
    (tmp_path / "me@home/a.bin").write_bytes(b"\x01")
    name = f"{tmp_path}/me@home/a.bin"
    assert pack([name], 64).parts[0].start == 0
    assert pack([f"{name}@16"], 64).parts[0].start == 16


def test_a_short_build_against_the_chip_read_out(preburn, tmp_path: Path) -> None:
    """What a file does not cover is as erased: only the byte that was changed differs."""
    build, chip, names = tmp_path / "build.bin", tmp_path / "chip.bin", tmp_path / "build.map"
    build.write_bytes(PROGRAM)
    chip.write_bytes((PROGRAM[:12] + b"\x00" + PROGRAM[13:]).ljust(0x8000, b"\xff"))
    names.write_text("loop = 0x000c\n")
    done = preburn("image", "diff", build, chip, "--symbols", names)
    assert done.returncode == 1
    assert done.stdout == ("1 byte differs.\npage 0:\n"
                           "  00000Ch to 00000Ch, 1 different: cd | 00  loop\n")
    done = preburn("image", "disassemble", build, "--symbols", names)
    assert "  000000  0000  c3 0c 00      jp loop\n" in done.stdout
    done = preburn("image", "info", build, "--symbols", names, "--size", "400")
    assert "in a chip of 400 bytes" in done.stdout and "1 symbol\n" in done.stdout
    assert "  loop\n" in done.stdout


@pytest.mark.parametrize(("arguments", "message"), [
    ("pack a.bin --size 64 --fill -1 -o x.bin", "--fill takes a byte such as 0x76"),
    ("pack a.bin --size 64 --fill 256 -o x.bin", "--fill takes a byte such as 0x76"),
    ("pack a.bin --size 64 --checksum 63 -o x.bin",
     "--checksum 3Fh: a word there would reach beyond the chip, which ends at 3Fh; give 3Eh"),
    ("pack a.bin --size 64 -o x.srec", "not as S-record; let its name end in .bin or .hex"),
    ("pack a.bin --size 64 -o x.elf", "not as ELF; let its name end in .bin or .hex"),
    ("pack a.bin --size 64 -o .", ".: is a folder; name a file in it"),
    ("pack a.bin --size 64 -o none/x.bin", "none; make it, or name another"),
    ("split a.bin --size 2 -o .", ".: is a folder; name the parts, such as rom.bin"),
    ("split a.bin --size 2 -o ..", "..: is a folder; name the parts, such as rom.bin"),
    ("split a.bin --size 2 -o x.mot", "not as S-record"),
    ("disassemble a.bin --map 8000",
     "such as 0x8000=0x4000:16K, not '8000'"),
    ("disassemble a.bin --map 0x18000=0:16K", "--map takes an address up to FFFFh"),
    ("disassemble a.bin --from 0x18000", "0x18000: an address of the CPU ends at FFFFh"),
    ("info z80.coff", "z80.coff: is a COFF file, which is not read; turn it into Intel HEX"),
])
def test_mistakes(preburn, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: str,
                  message: str) -> None:
    monkeypatch.setenv("PYTHONPATH", str(ROOT))
    (tmp_path / "a.bin").write_bytes(b"\x01\x02\x03")
    # the header that GNU as for z80-unknown-coff writes: magic, three sections, no optional part
    (tmp_path / "z80.coff").write_bytes(b"\x5a\x80\x03\0".ljust(20, b"\0") + b".text\0\0\0" * 10)
    done = subprocess.run([sys.executable, "-m", "emu.cli", "image", *arguments.split()],
                          cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.returncode == 2 and message in done.stderr, done.stderr
    assert done.stderr.count("\n") == 1
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.bin", "z80.coff"]


def test_parts_that_cannot_all_be_written_are_taken_away(tmp_path: Path) -> None:
    (tmp_path / "part-01.bin").mkdir()
    images = [(tmp_path / f"part-0{k}.bin", b"\x01") for k in range(2)]
    with pytest.raises(InputError, match="is a folder"):
        write_new(images, replace=True)
    assert not images[0][0].exists()
    images[1] = tmp_path / "none/part.bin", b"\x01"
    with pytest.raises(InputError, match="there is no folder"):
        write_new(images)
    assert not images[0][0].exists()
