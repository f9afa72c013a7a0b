"""``preburn image``: look into ROM images, pack, split, compare, disassemble."""
from __future__ import annotations

import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from emu.cli.say import say, say_json
from emu.errors import InputError

if TYPE_CHECKING:
    from emu.files.image import Image

FILE = click.argument("file", type=click.Path(path_type=Path))
JSON = click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
REPLACE = click.option("--replace", is_flag=True, help="Write over a file that is there.")


SYMBOLS = click.option("--symbols", multiple=True, type=click.Path(path_type=Path),
                       help="Names for an image without its own: a .map, .noi, .cdb or list.")


def _load(file: Path, symbols: tuple[Path, ...]) -> Image:
    from emu.files.image import load_image, with_symbols

    return with_symbols(load_image(file), symbols)


def _size(text: str | None, option: str) -> int | None:
    from emu.romtools.chip import size_in_bytes

    return None if text is None else size_in_bytes(text, option)


@click.group()
def command() -> None:
    """Look into ROM images, and make them: no run, no burning."""


@command.command()
@FILE
@click.option("--size", help="Bytes of the chip, as 512K; else the smallest that holds it.")
@click.option("--page", default="16K", show_default=True, help="Bytes of a page.")
@click.option("--strings", is_flag=True, help="List every string, not only the first dozen.")
@SYMBOLS
@JSON
def info(file: Path, size: str | None, page: str, strings: bool, symbols: tuple[Path, ...],
         as_json: bool) -> None:
    """Say what FILE holds: pages and sums, vectors, strings, fill, symbols."""
    from emu.romtools.chip import lay_out, size_in_bytes
    from emu.romtools.info import describe

    chip = lay_out(_load(file, symbols), _size(size, "--size"), size_in_bytes(page, "--page"))
    found = describe(chip)
    if as_json:
        say_json(found)
    else:
        _print_info(found, None if strings else 12)


def _print_info(found: dict[str, Any], most: int | None) -> None:
    from emu.romtools.chip import bytes_words

    say(f"{found['file']}: {found['kind']}, {found['covered_bytes']} bytes in a chip of "
        f"{bytes_words(found['chip_bytes'])}")
    say(f"sum {found['sum16']:04X}h, CRC-32 {found['crc32']:08X}, SHA-256 of the file "
        f"{found['sha256'][:16]}...")
    entry = None if found["entry"] is None else f"entry {found['entry']:04X}h"
    count = found["symbols"]
    named = f"{count} symbol{'s' * (count > 1)}" if count else None
    if entry or named:
        say(", ".join(filter(None, (entry, named))))
    say("page  at      used   sum    CRC-32    most of it    holds")
    for row in found["pages"]:
        say(f"{row['page']:4}  {row['physical']:06X}  {row['covered_bytes']:5}  "
            f"{row['sum16']:04X}h  {row['crc32']:08X}  {row['most_common_byte']:02X}h x "
            f"{row['most_common_count']:<6} {', '.join(row['largest'])}")
    for row in found["vectors"]:
        say(f"{row['name']:8} {row['address']:04X}h  {row['instruction']}")
    for row in found["fills"]:
        say(f"fill     {row['physical']:06X}h  {row['bytes']} bytes of {row['byte']:02X}h")
    for row in found["strings"][:most]:
        say(f"string   {row['physical']:06X}h  {row['text']!r}")
    if most is not None and len(found["strings"]) > most:
        say(f"and {len(found['strings']) - most} strings more: --strings lists them.")


@command.command()
@click.argument("files", nargs=-1, required=True, metavar="FILE[@ADDRESS]...")
@click.option("-o", "--output", required=True, type=click.Path(path_type=Path),
              help="The image to write; .hex makes it Intel HEX.")
@click.option("--size", required=True, help="Bytes of the chip, as 512K.")
@click.option("--fill", default="0xFF", show_default=True, help="Byte of unused room.")
@click.option("--align", default="1", show_default=True, help="Place files at multiples of it.")
@click.option("--checksum", help="Address for the 16-bit sum of all other bytes, low byte first.")
@REPLACE
@JSON
def pack(files: tuple[str, ...], output: Path, size: str, fill: str, align: str,
         checksum: str | None, replace: bool, as_json: bool) -> None:
    """Lay FILES into one chip and print the map of what lies where."""
    from emu.romtools.chip import address_of, byte_of, size_in_bytes
    from emu.romtools.packing import pack as lay
    from emu.romtools.packing import write_new

    byte = byte_of(fill, "--fill")
    packed = lay(list(files), size_in_bytes(size, "--size"), byte, size_in_bytes(align, "--align"),
                 None if checksum is None else address_of(checksum, "--checksum"))
    write_new([(output, packed.data)], replace)
    if as_json:
        say_json({
            "output": str(output), "bytes": len(packed.data), "checksum": packed.checksum,
            "parts": [{"file": str(p.path), "start": p.start, "end": p.end}
               for p in packed.parts]})
        return
    for part in packed.parts:
        say(f"{part.start:06X}h to {part.end - 1:06X}h  {part.path}")
    if packed.checksum:
        say(f"{packed.checksum[0]:06X}h  checksum {packed.checksum[1]:04X}h")
    used = sum(part.end - part.start for part in packed.parts)
    say(f"{output}: {len(packed.data)} bytes, {used} used, the rest {byte:02X}h")


@command.command()
@FILE
@click.option("--size", required=True, help="Bytes of a part, as 16K.")
@click.option("-o", "--output", required=True, type=click.Path(path_type=Path),
              help="Name of the parts: rom.bin gives rom-00.bin, rom-01.bin ...")
@REPLACE
def split(file: Path, size: str, output: Path, replace: bool) -> None:
    """Cut the image FILE into parts of one size, for several chips."""
    from emu.files.image import load_image
    from emu.romtools.chip import end_of, lay_out, size_in_bytes
    from emu.romtools.packing import split as cut
    from emu.romtools.packing import write_new

    image = load_image(file)
    parts = cut(lay_out(image).data[:end_of(image)], size_in_bytes(size, "--size"))
    if not output.name or output.is_dir():
        raise InputError(f"{output}: is a folder; name the parts, such as rom.bin.")
    if len(parts) > 100:
        raise InputError(f"{file}: makes {len(parts)} parts; give a larger --size (at most 100).")
    names = [output.with_name(f"{output.stem}-{k:02}{output.suffix}") for k in range(len(parts))]
    named = list(zip(names, parts, strict=True))
    write_new(named, replace)
    for name, part in named:
        say(f"{name}: {len(part)} bytes")


@command.command()
@click.argument("a", type=click.Path(path_type=Path))
@click.argument("b", type=click.Path(path_type=Path))
@click.option("--page", default="16K", show_default=True, help="Bytes of a page.")
@SYMBOLS
@click.option("--symbols-b", multiple=True, type=click.Path(path_type=Path),
              help="The same for B; --symbols is for A.")
@JSON
def diff(a: Path, b: Path, page: str, symbols: tuple[Path, ...], symbols_b: tuple[Path, ...],
         as_json: bool) -> None:
    """List by page where the images A and B differ; exit status 1 when they do.

    Both are looked at in the chip that holds the larger one; what a file does not cover is
    erased, FFh.
    """
    from emu.romtools.chip import lay_out, size_in_bytes
    from emu.romtools.difference import compare

    bytes_a_page = size_in_bytes(page, "--page")
    images = _load(a, symbols), _load(b, symbols_b)
    size = max(lay_out(image).size for image in images)
    found = compare(*(lay_out(image, size, bytes_a_page) for image in images))
    if as_json:
        say_json(found)
    else:
        _print_difference(found)
    sys.exit(1 if found["pages"] else 0)


def _print_difference(found: dict[str, Any]) -> None:
    if not found["pages"]:
        say("the two images hold the same bytes.")
        return
    count = found["differing"]
    say("1 byte differs." if count == 1 else f"{count} bytes differ.")
    for page in found["pages"]:
        say(f"page {page['page']}:")
        for row in page["ranges"]:
            names = [n for n in dict.fromkeys((row["name_a"], row["name_b"])) if n]
            say(f"  {row['physical']:06X}h to {row['end'] - 1:06X}h, "
                f"{row['differing']} different: {row['a'] or '-'} | {row['b'] or '-'}"
                f"{'  ' + ' | '.join(names) if names else ''}")


@command.command()
@FILE
@click.option("--from", "starts", multiple=True, metavar="WHERE",
              help="Entry point: symbol, address or file:line; else the file's own, or 0.")
@click.option("--map", "maps", multiple=True, metavar="ADDRESS=PHYSICAL:BYTES",
              help="A page that the CPU sees: 0x8000=0x4000:16K.")
@SYMBOLS
@JSON
def disassemble(file: Path, starts: tuple[str, ...], maps: tuple[str, ...],
                symbols: tuple[Path, ...], as_json: bool) -> None:
    """Disassemble FILE from its entry points, following the flow through its pages."""
    from emu.romtools.flow import PageMap, entries, follow

    image = _load(file, symbols)
    lines = follow(PageMap(image, tuple(map(_mapping, maps))), entries(image, starts))
    if as_json:
        say_json([{"address": x.instruction.address, "physical": x.physical,
                         "bytes": x.instruction.data.hex(), "text": x.instruction.text,
                         "label": x.label, "source": x.source} for x in lines])
        return
    expected = None
    for x in lines:
        if expected is not None and x.physical != expected:
            say("")
        if x.label:
            say(f"{x.label}:")
        say(f"  {x.physical:06X}  {x.instruction.address:04X}  "
            f"{x.instruction.data.hex(' '):12}  {x.instruction.text:28}"
            f"{'; ' + x.source if x.source else ''}".rstrip())
        expected = x.physical + x.instruction.length


def _mapping(text: str) -> tuple[int, int, int]:
    from emu.romtools.chip import address_of, size_in_bytes

    match = re.fullmatch("([^=:]+)=([^=:]+):([^=:]+)", text)
    address = address_of(match[1], "--map") if match else 0
    if match is None or address > 0xFFFF:
        raise InputError(f"--map takes an address up to FFFFh, a place in the chip and a size, "
                         f"such as 0x8000=0x4000:16K, not {text!r}.")
    return address, address_of(match[2], "--map"), size_in_bytes(match[3], "--map")
