"""Image files of every kind, whole and damaged; each fault has one line with the mend."""

import hashlib
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from emu.errors import InputError
from emu.files.image import Image, Segment, load_image
from emu.files.symbols import SymbolTable

IMAGES = Path(__file__).parent / "data/images"
DATA = ":0300300002337A1E"  # a common worked example of the format
END = ":00000001FF"


def refusal(path: Path, **options) -> str:
    with pytest.raises(InputError) as caught:
        load_image(path, **options)
    text = str(caught.value)
    assert "\n" not in text
    return text.replace(str(path), "FILE")


def written(folder: Path, content: str | bytes, name: str = "image") -> Path:
    path = folder / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


def test_a_raw_binary_stands_at_its_base(tmp_path):
    image = load_image(written(tmp_path, b"\xc3\x00\x01"), base=0x2000)
    assert image.kind == "raw"
    assert image.segments == (Segment(0x2000, 0x2000, b"\xc3\x00\x01"),)
    assert image.entry is None
    assert not image.symbols.symbols
    assert image.digest == hashlib.sha256(b"\xc3\x00\x01").hexdigest()


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("gauge.hex", "ihex"),
        ("gauge.s19", "srec"),
        ("gauge-dwarf4.elf", "elf"),
        ("tide.ihx", "ihex"),
    ],
)
def test_the_content_tells_the_kind_whatever_the_name(tmp_path, name, kind):
    assert load_image(IMAGES / name).kind == kind
    assert load_image(written(tmp_path, (IMAGES / name).read_bytes(), "rom.bin")).kind == kind


def test_code_that_looks_a_little_like_text_stays_raw(tmp_path):
    assert load_image(written(tmp_path, b":\x34\x12S1\x00\xff")).kind == "raw"
    assert load_image(written(tmp_path, (IMAGES / "gauge.hex").read_bytes()), "raw").kind == "raw"


def test_a_hex_suffix_on_other_content_is_a_fault_and_not_a_raw_binary(tmp_path):
    path = written(tmp_path, "; made by hand\n" + DATA, "rom.hex")
    assert refusal(path) == 'FILE:1: it does not start with ":"; write the file again.'


def test_hex_records_of_type_02_to_05_move_the_address_and_tell_the_entry(tmp_path):
    # Intel HEX specification, rev. A: 02 shifts by four bits, 04 by sixteen, 03 is CS:IP
    records = ":020000021200EA :0100000011EE :020000040001F9 :0100000022DD :0400000300001234B3"
    image = load_image(written(tmp_path, "\n".join([*records.split(), END])))
    assert image.segments == (
        Segment(0x10000, 0x10000, b"\x22"),
        Segment(0x12000, 0x12000, b"\x11"),
    )
    assert image.entry == 0x1234
    linear = load_image(written(tmp_path, f"{DATA}\n:0400000500000100F6\n{END}\n"))
    assert linear.entry == 0x100


@pytest.mark.parametrize(
    ("lines", "text"),
    [
        (DATA[:-1] + "F\n" + END,
         "1: the checksum is 1F, the line adds up to 1E; write the file again."),
        (DATA[:-1] + "\n" + END, "1: the line has an odd number of digits; write the file again."),
        (DATA[:-2] + "\n" + END, ("1: the line is longer or shorter than its length byte says; "
         "write the file again.")),
        (":0000\n" + END, "1: the line is cut short; write the file again."),
        (DATA + "\n:03003300Z2337A1E\n" + END,
         '2: "Z" is no hexadecimal digit; write the file again.'),
        (DATA + "\n:0000000AF6\n" + END,
         "2: the record type is none of 00 to 05; write the file again."),
        (DATA + "\n" + DATA + "\n" + END,
         "2: address 0030h was filled before; remove one of the two, or link them apart."),
        (DATA + "\n", ("1: the file ends without an end record, so it may be cut short; "
         "write it again, or add the line :00000001FF if it is whole.")),
        (DATA + "\n" + END + "\n" + DATA,
         "3: data follows the end record in line 2; write the file again."),
        (":0100000155A9\n", "1: an end record (type 01) carries no data; write the file again."),
        (DATA + "\n:0100000400FB\n" + END,
         "2: a type 04 record has address 0000 and two bytes; write the file again."),
        (DATA + "\n\u00e9\n" + END, "2: it holds bytes that are no text; write the file again."),
    ],
)  # fmt: skip
def test_each_hex_fault_names_the_line_and_the_mend(tmp_path, lines, text):
    assert refusal(written(tmp_path, lines, "rom.hex")) == f"FILE:{text}"


S1 = "S1130000285F245F2212226A000424290008237C2A"  # a common worked example of the format
S9 = "S9030000FC"


def test_s_records_of_all_address_sizes(tmp_path):
    records = (
        "S00600004844521B S1041234565F S2050123457819 S306012345679099 S5030003F9 S70500001234B4"
    )
    image = load_image(written(tmp_path, "\n".join(records.split())))
    assert [(s.physical, s.data.hex()) for s in image.segments] == [
        (0x1234, "56"), (0x12345, "78"), (0x1234567, "90"),
    ]  # fmt: skip
    assert image.entry == 0x1234


@pytest.mark.parametrize(
    ("lines", "text"),
    [
        (S1[:-1] + "B\n" + S9,
         "1: the checksum is 2B, the line adds up to 2A; write the file again."),
        (S1[:-1] + "\n" + S9, "1: the line has an odd number of digits; write the file again."),
        (S1[:-2] + "\n" + S9, ("1: the line is longer or shorter than its length byte says; "
         "write the file again.")),
        (S1 + "\nS4030000FC\n" + S9,
         "2: it does not start with S0 to S3 or S5 to S9; write the file again."),
        (S1 + "\nS20300FFFD\n" + S9,
         "2: the line is too short for its address; write the file again."),
        (S1 + "\nS1040004FFF8\n" + S9,
         ("2: address 0004h is filled by another line too; remove one of the two, or link them "
         "apart.")),
        (S1 + "\nS5030002FA\n" + S9,
         "2: it counts 2 data lines, there are 1; write the file again."),
        (S1 + "\n" + S9 + "\n" + S1,
         "3: data follows the end record in line 2; write the file again."),
        (S1 + "\n", ("1: the file ends without an S7, S8 or S9 line, so it may be cut short; "
         "write it again, or add the line S9030000FC if it is whole.")),
        (S1 + "\nS1x3\n" + S9, '2: "x" is no hexadecimal digit; write the file again.'),
    ],
)  # fmt: skip
def test_each_s_record_fault_names_the_line_and_the_mend(tmp_path, lines, text):
    assert refusal(written(tmp_path, lines)) == f"FILE:{text}"


def test_files_that_cannot_be_images(tmp_path):
    assert refusal(tmp_path / "none.bin") == (
        "FILE: no such file; build it, or check the image path.")
    assert refusal(tmp_path) == "FILE: is a folder; name the image file in it."
    empty = written(tmp_path, b"")
    assert refusal(empty) == "FILE: is empty; build the image again."
    assert refusal(written(tmp_path, END)) == (
        "FILE: holds no data, only records around it; build the image again."
    )
    long = tmp_path / "long.bin"
    with long.open("wb") as file:
        file.truncate((16 << 20) + 1)
    assert refusal(long) == "FILE: is longer than 16 MiB, too long for this image; check the path."
    assert refusal(Path("/dev/zero")) == ("FILE: is a device or pipe; name an ordinary image file.")
    assert "cannot be read" in refusal(tmp_path / ("x" * 300))


def test_options_that_do_not_fit_the_file(tmp_path):
    raw, text = written(tmp_path, b"\0"), written(tmp_path, DATA + "\n" + END, "rom.hex")
    assert refusal(raw, kind="tape") == (
        "FILE: unknown image kind 'tape'; use one of raw, ihex, srec, elf."
    )
    assert refusal(text, base=0x100) == (
        "FILE: an Intel HEX file carries its own addresses; leave the base address out."
    )
    assert refusal(raw, base=-1) == "FILE: base address -1 is below zero; give 0 or more."
    assert refusal(raw, kind="elf") == "FILE: is no ELF file; name its kind (raw, ihex, srec, elf)."


def image_of(*segments: Segment) -> Image:
    return Image(Path("rom.elf"), "elf", segments, SymbolTable(), None, "")


def test_flatten_lays_segments_at_their_physical_addresses():
    image = image_of(Segment(4, 0x8004, b"ab"), Segment(0, 0, b"cd"))
    assert image.flatten(8) == b"cd\xff\xffab\xff\xff"
    assert image.flatten(6, fill=0) == b"cd\0\0ab"


def test_flatten_refuses_bytes_outside_the_chip():
    with pytest.raises(InputError) as caught:
        image_of(Segment(6, 6, b"abc")).flatten(8)
    assert str(caught.value) == (
        "rom.elf: holds 3 bytes at 0006h, but the chip ends at 0007h; "
        "link the code lower or fit a larger chip."
    )
    with pytest.raises(InputError, match="the chip has no bytes"):
        image_of(Segment(6, 6, b"abc")).flatten(0)


def test_flatten_lets_segments_overlap_only_with_equal_bytes():
    assert image_of(Segment(0, 0, b"abc"), Segment(1, 1, b"bcd")).flatten(4) == b"abcd"
    with pytest.raises(InputError) as caught:
        image_of(Segment(0, 0, b"abc"), Segment(1, 1, b"bX")).flatten(4)
    assert str(caught.value) == (
        "rom.elf: two segments put different bytes (63h and 58h) at 0002h; "
        "link them to addresses of their own."
    )


@st.composite
def mutated(draw, names: tuple[str, ...]) -> bytes:
    """A fixture with some bytes replaced, cut out or put in."""
    data = bytearray((IMAGES / draw(st.sampled_from(names))).read_bytes())
    for _ in range(draw(st.integers(1, 6))):
        at = draw(st.integers(0, max(0, len(data) - 1)))
        old = draw(st.integers(0, 8))
        data[at : at + old] = draw(st.binary(max_size=8))
    return bytes(data[: draw(st.integers(0, len(data)))] if draw(st.booleans()) else data)


NO_FUSS = settings(
    deadline=None,
    derandomize=True,
    max_examples=400,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)


@pytest.mark.parametrize(
    ("kind", "names"),
    [
        ("ihex", ("gauge.hex", "tide.ihx")),
        ("srec", ("gauge.s19",)),
        ("elf", ("gauge-dwarf2.elf", "gauge-dwarf5.elf", "paged-relocs.elf")),
    ],
)
@NO_FUSS
@given(data=st.data())
def test_damaged_files_raise_nothing_but_a_clear_refusal(tmp_path, kind, names, data):
    path = written(tmp_path, data.draw(mutated(names)))
    for asked in (kind, None):
        try:
            image = load_image(path, asked)
        except InputError as error:
            assert str(path) in str(error)
            assert "\n" not in str(error)
        else:
            assert image.segments
            image.symbols.name_at(0x4000, 0x8000)
            image.symbols.line_at(0x10)


@NO_FUSS
@given(st.lists(st.tuples(st.integers(0, 0xFFFF), st.binary(min_size=1, max_size=20)), min_size=1))
def test_s_records_written_by_a_naive_writer_come_back(tmp_path, pieces):
    memory: dict[int, int] = {}
    lines = []
    for address, data in pieces:
        span = range(address, address + len(data))
        if not memory.keys() & set(span) and span[-1] <= 0xFFFF:
            memory |= dict(zip(span, data, strict=True))
            record = bytes([len(data) + 3]) + address.to_bytes(2, "big") + data
            lines.append(f"S1{record.hex()}{255 - sum(record) % 256:02X}")
    if lines:
        image = load_image(written(tmp_path, "\r\n".join([*lines, S9, ""])))
        assert {s.physical + i: b for s in image.segments for i, b in enumerate(s.data)} == memory
