"""``preburn image``: look into ROM images, pack, split, compare, disassemble."""
from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import click

from emu.errors import InputError

FILE = click.argument("file", type=click.Path(path_type=Path))
JSON = click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
REPLACE = click.option("--replace", is_flag=True, help="Write over a file that is there.")


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
@JSON
def info(file: Path, size: str | None, page: str, strings: bool, as_json: bool) -> None:
    """Say what FILE holds: pages and sums, vectors, strings, fill, symbols."""
    from emu.image import load_image
    from emu.romtools.chip import lay_out, size_in_bytes
    from emu.romtools.info import describe

    chip = lay_out(load_image(file), _size(size, "--size"), size_in_bytes(page, "--page"))
    found = describe(chip)
    if as_json:
        click.echo(json.dumps(found, indent=2))
    else:
        _print_info(found, None if strings else 12)


def _print_info(found: dict[str, Any], most: int | None) -> None:
    click.echo(f"{found['file']}: {found['kind']}, {found['covered_bytes']} bytes in a chip of "
               f"{found['chip_bytes'] >> 10} KiB")
    click.echo(f"sum {found['sum16']:04X}h, CRC-32 {found['crc32']:08X}, SHA-256 of the file "
               f"{found['sha256'][:16]}...")
    if found["entry"] is not None:
        click.echo(f"entry {found['entry']:04X}h, {found['symbols']} symbols")
    click.echo("page  at      used   sum    CRC-32    most of it    holds")
    for row in found["pages"]:
        click.echo(f"{row['page']:4}  {row['physical']:06X}  {row['covered_bytes']:5}  "
                   f"{row['sum16']:04X}h  {row['crc32']:08X}  {row['most_common_byte']:02X}h x "
                   f"{row['most_common_count']:<6} {', '.join(row['largest'])}")
    for row in found["vectors"]:
        click.echo(f"{row['name']:8} {row['address']:04X}h  {row['instruction']}")
    for row in found["fills"]:
        click.echo(f"fill     {row['physical']:06X}h  {row['bytes']} bytes of {row['byte']:02X}h")
    for row in found["strings"][:most]:
        click.echo(f"string   {row['physical']:06X}h  {row['text']!r}")
    if most is not None and len(found["strings"]) > most:
        click.echo(f"and {len(found['strings']) - most} strings more: --strings lists them.")


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
    from emu.romtools.chip import address_of, size_in_bytes
    from emu.romtools.packing import pack as lay
    from emu.romtools.packing import write_new

    byte = address_of(fill, "--fill")
    if byte > 0xFF:
        raise InputError(f"--fill takes a byte, 0 to FFh, not {fill!r}.")
    packed = lay(list(files), size_in_bytes(size, "--size"), byte, size_in_bytes(align, "--align"),
                 None if checksum is None else address_of(checksum, "--checksum"))
    write_new(output, packed.data, replace)
    if as_json:
        click.echo(json.dumps({
            "output": str(output), "bytes": len(packed.data), "checksum": packed.checksum,
            "parts": [{"file": str(p.path), "start": p.start, "end": p.end}
                      for p in packed.parts]}, indent=2))
        return
    for part in packed.parts:
        click.echo(f"{part.start:06X}h to {part.end - 1:06X}h  {part.path}")
    if packed.checksum:
        click.echo(f"{packed.checksum[0]:06X}h  checksum {packed.checksum[1]:04X}h")
    used = sum(part.end - part.start for part in packed.parts)
    click.echo(f"{output}: {len(packed.data)} bytes, {used} used, the rest {byte:02X}h")


@command.command()
@FILE
@click.option("--size", required=True, help="Bytes of a part, as 16K.")
@click.option("-o", "--output", required=True, type=click.Path(path_type=Path),
              help="Name of the parts: rom.bin gives rom-00.bin, rom-01.bin ...")
@REPLACE
def split(file: Path, size: str, output: Path, replace: bool) -> None:
    """Cut the image FILE into parts of one size, for several chips."""
    from emu.image import load_image
    from emu.romtools.chip import lay_out, size_in_bytes
    from emu.romtools.packing import split as cut
    from emu.romtools.packing import write_new

    image = load_image(file)
    end = max(segment.end for segment in image.segments)
    parts = cut(lay_out(image).data[:end], size_in_bytes(size, "--size"))
    if len(parts) > 100:
        raise InputError(f"{file}: makes {len(parts)} parts; give a larger --size (at most 100).")
    names = [output.with_name(f"{output.stem}-{k:02}{output.suffix}") for k in range(len(parts))]
    there = next((name for name in names if name.exists()), None)
    if there is not None and not replace:
        raise InputError(f"{there}: is there already; name other files, or add --replace.")
    for name, part in zip(names, parts, strict=True):
        write_new(name, part, replace)
        click.echo(f"{name}: {len(part)} bytes")


@command.command()
@click.argument("a", type=click.Path(path_type=Path))
@click.argument("b", type=click.Path(path_type=Path))
@click.option("--page", default="16K", show_default=True, help="Bytes of a page.")
@JSON
def diff(a: Path, b: Path, page: str, as_json: bool) -> None:
    """List by page where the images A and B differ; exit status 1 when they do."""
    from emu.image import load_image
    from emu.romtools.chip import lay_out, size_in_bytes
    from emu.romtools.difference import compare

    bytes_a_page = size_in_bytes(page, "--page")
    found = compare(lay_out(load_image(a), page=bytes_a_page),
                    lay_out(load_image(b), page=bytes_a_page))
    if as_json:
        click.echo(json.dumps(found, indent=2))
    else:
        _print_difference(found)
    sys.exit(1 if found["pages"] else 0)


def _print_difference(found: dict[str, Any]) -> None:
    if not found["pages"]:
        click.echo("the two images hold the same bytes.")
        return
    click.echo(f"{found['differing']} bytes differ.")
    for page in found["pages"]:
        click.echo(f"page {page['page']}:")
        for row in page["ranges"]:
            names = [n for n in dict.fromkeys((row["name_a"], row["name_b"])) if n]
            click.echo(f"  {row['physical']:06X}h to {row['end'] - 1:06X}h, "
                       f"{row['differing']} differ: {row['a'] or '-'} | {row['b'] or '-'}"
                       f"{'  ' + ' | '.join(names) if names else ''}")


@command.command()
@FILE
@click.option("--from", "starts", multiple=True, metavar="WHERE",
              help="Entry point: symbol, address or file:line; else the file's own, or 0.")
@click.option("--map", "maps", multiple=True, metavar="ADDRESS=PHYSICAL:BYTES",
              help="A page that the CPU sees: 0x8000=0x4000:16K.")
@JSON
def disassemble(file: Path, starts: tuple[str, ...], maps: tuple[str, ...],
                as_json: bool) -> None:
    """Disassemble FILE from its entry points, following the flow through its pages."""
    from emu.image import load_image
    from emu.romtools.flow import PageMap, entries, follow

    image = load_image(file)
    lines = follow(PageMap(image, tuple(map(_mapping, maps))), entries(image, starts))
    if as_json:
        click.echo(json.dumps([{"address": x.instruction.address, "physical": x.physical,
                                "bytes": x.instruction.data.hex(), "text": x.instruction.text,
                                "label": x.label, "source": x.source} for x in lines], indent=1))
        return
    expected = None
    for x in lines:
        if expected is not None and x.physical != expected:
            click.echo("")
        if x.label:
            click.echo(f"{x.label}:")
        click.echo(f"  {x.physical:06X}  {x.instruction.address:04X}  "
                   f"{x.instruction.data.hex(' '):12}  {x.instruction.text:28}"
                   f"{'; ' + x.source if x.source else ''}".rstrip())
        expected = x.physical + x.instruction.length


def _mapping(text: str) -> tuple[int, int, int]:
    from emu.romtools.chip import address_of, size_in_bytes

    address, _, rest = text.partition("=")
    physical, _, size = rest.partition(":")
    return (address_of(address, "--map") & 0xFFFF, address_of(physical, "--map"),
            size_in_bytes(size, "--map"))
