"""Floppy images: tracks as they lie, FAT12, Tidewater's file system; card images."""

from __future__ import annotations

import json
import random
import struct
import zlib
from functools import cache
from pathlib import Path

from emu.media.create import Wish, new_disk
from emu.media.mounting import need
from fuzzing.case import FOLDER, PIPE, Case, Content, Family, Link
from fuzzing.machines import MACHINE
from fuzzing.mutate import number, spoilt_bytes, spoilt_tree, text, value

MAGIC = b"preburn tracks 1\n"
NAMES = (
    "tides.txt",
    "a",
    "../x",
    "..",
    "x/y",
    "a\0b",
    "LOG.TXT",
    "=1+1",
    "\x1b[2J",
    "a" * 300,
    "-x",
    "TIDES.TXT",
    "FOLDER/A.TXT",
)
GEOMETRIES = (
    "720K",
    "1x1x1x128",
    "40x1x9x512",
    "85x2x64x8192",
    "0x0x0x0",
    "80x2x9x512",
    "a",
    "1.44M",
    "40x2x9x512",
    "²x1x9x512",
    "999999999999x1x1x512",
)


@cache
def disk(kind: str, name: str = "d.img", geometry: str = "40x1x9x512") -> bytes:
    """Make a small disk with a few files: raw bytes, or tracks when the name says so."""
    made = new_disk(
        Path(name), Wish(geometry, files=kind, label="tide" if kind == "tidewater" else "TIDE")
    )
    files = need(made.image)
    for k in range(6):
        low = f"log{k}.txt"
        files.write(low if kind == "tidewater" else low.upper(), b"level\r\n" * (k * 90), 2**30)
    if made.tracks is None:
        return bytes(made.image.data)
    from emu.media import trackfile

    for block in sorted(made.image.written):
        made._store(block)
    return trackfile.pack(made.image.geometry, made.tracks)


def commands(r: random.Random, name: str, geometry: str | None = "40x1x9x512") -> tuple[str, ...]:
    """Give a command that looks at an image, or changes it."""
    file = r.choice(NAMES + tuple(f"log{k}.txt" for k in range(6))).replace("\0", "")
    words = r.choice(
        (
            ("show", name),
            ("show", name, "--tracks"),
            ("show", name, "--json"),
            ("list", name),
            ("list", name, "--json"),
            ("export", name, "--to", "out"),
            ("export", name, "--to", "out", "--replace"),
            ("export", name, file, "--to", "out"),
            ("export", name, file, "--to", "one"),
            ("dump", name, "--name", file),
            ("dump", name, "--block", str(number(r)), "--count", "3"),
            ("dump", name, "--track", str(number(r)), "--head", str(r.choice((0, 1, -1)))),
            ("import", name, "new.txt"),
            ("import", name, "new.txt", "--as", file or "x"),
            ("import", name, "new.txt", "--as", "log1.txt", "--replace"),
            ("remove", name, file or "x"),
            ("convert", name, "to.img"),
            ("convert", name, "to.tracks"),
            ("format", name, "--files", r.choice(("fat12", "tidewater")), "--label", file),
        )
    )
    chosen = r.choice(GEOMETRIES) if r.random() < 0.1 else geometry
    return ("medium", *words) if chosen is None else ("medium", *words, "--geometry", chosen)


def case(name: str, data: bytes, words: tuple[str, ...], r: random.Random) -> Case:
    """Put an image beside a folder to export to, and a file to import."""
    files: dict[str, Content] = {name: data, "out": FOLDER, "new.txt": b"new\n"}
    if r.random() < 0.1:
        files["out/log1.txt"] = r.choice((b"mine\n", Link("../new.txt"), FOLDER))
        files["out/LOG1.TXT"] = r.choice((b"mine\n", Link("/etc/passwd"), FOLDER))
    changes = words[1] in ("import", "remove", "format")
    writes = (name,) if changes else ("out/", "one", "to.img", "to.tracks")
    inside = [f for f in files if f.startswith("out/")]
    keeps = [f for f in inside if "--replace" not in words or not isinstance(files[f], bytes)]
    return Case(files, words, writes=writes, keeps=tuple(keeps))


def make_tracks(r: random.Random) -> Case:
    """Make a track image with a lying head, wrong lengths, or broken tracks."""
    data = disk(r.choice(("fat12", "tidewater")), "d.tracks")
    head, _, packed = data[len(MAGIC) :].partition(b"\n")
    tree, body = json.loads(head), zlib.decompress(packed)
    roll = r.random()
    if roll < 0.5:
        tree = spoilt_tree(r, tree)
        source = json.dumps(tree).encode()
        if r.random() < 0.1:
            source = r.choice(
                (
                    b"[" * 100_000,
                    b'{"tracks":' * 3000,
                    b"1e999",
                    b"NaN",
                    b"",
                    b'{"tracks": [[Infinity, 0, 6250, 0]], "geometry": null}',
                )
            )
        data = MAGIC + source + b"\n" + packed
    elif roll < 0.9:
        data = MAGIC + head + b"\n" + zlib.compress(spoilt_bytes(r, body, 30), 1)
    else:
        data = (
            spoilt_bytes(r, data)
            if roll < 0.98
            else MAGIC + head + b"\n" + zlib.compress(bytes(64 << 20), 9)
        )
    return case("d.tracks", data, commands(r, "d.tracks", None), r)


def make_fat12(r: random.Random) -> Case:
    """Make a FAT12 disk with a broken first sector, table or folders."""
    data = bytearray(disk("fat12"))
    roll = r.random()
    if roll < 0.4:
        low, high = r.choice(((11, 40), (0, 512), (512, 1536)))
        data = bytearray(spoilt_bytes(r, bytes(data), 4, low, high)[: len(data)].ljust(len(data)))
    root = 512 * (1 + 2 * int.from_bytes(disk("fat12")[22:24], "little"))
    for _ in range(r.choice((0, 1, 3, 20))):
        at = root + 32 * r.randrange(12)
        what = r.randrange(5)
        if what == 0:  # a hostile name
            data[at : at + 11] = r.choice(
                (
                    b"..         ",
                    b"\0AB        ",
                    b"A/B     TXT",
                    b"\x1b[2J    X  ",
                    b"LOG1    TXT",
                    b"=1+1    CSV",
                    b"\xe5\xff\xff        ",
                    r.randbytes(11),
                )
            )
        elif what == 1:  # a folder, perhaps of itself
            data[at + 11] = r.choice((0x10, 0x08, 0x0F, 0x30, 0xFF))
            data[at + 26 : at + 28] = struct.pack("<H", r.choice((0, 1, 2, 3, 4000, 0xFFF)))
        elif what == 2:
            data[at + 26 : at + 32] = struct.pack(
                "<HI", r.randrange(400), r.choice((0, 1, 2**31, 2**32 - 1))
            )
        elif what == 3:
            data[at : at + 32] = r.randbytes(32)
        else:  # what folders point to
            place = 512 * 12 + 512 * r.randrange(40)
            entry = b"SUB     " + b"   \x10" + bytes(14) + struct.pack("<HI", r.randrange(2, 20), 0)
            data[place : place + 512] = (entry * 16)[:512]
    return case("d.img", bytes(data), commands(r, "d.img"), r)


def make_harbour(r: random.Random) -> Case:
    """Make a disk of Tidewater's file system with a broken volume or directory."""
    data = bytearray(disk("tidewater"))
    if r.random() < 0.4:
        data = bytearray(
            spoilt_bytes(r, bytes(data), 3, 0, r.choice((32, 512, 3000)))[: len(data)].ljust(
                len(data)
            )
        )
    for _ in range(r.choice((0, 1, 3, 20))):
        at = 512 + 32 * r.randrange(12)
        name = r.choice(
            (
                b"..",
                b"a/b",
                b"log1.txt",
                b"LOG1.TXT",
                b"\x1b[2J",
                b"a\0b",
                b"=x",
                b"\xff\xfe",
                b"log2.txt",
                text(r).encode("utf-8", "surrogatepass"),
            )
        )[:12].ljust(12, b"\0")
        data[at : at + 32] = struct.pack(
            "<12sBxHHIIH4x",
            name,
            r.choice((1, 1, 2, 0, 255)),
            r.choice((5, 6, 0, 65535, r.randrange(360))),
            r.choice((0, 1, 10, 65535)),
            r.choice((0, 1, 512, 2**32 - 1)),
            r.choice((0, 1, 2**31, 2**32 - 1)),
            r.choice((0, r.randrange(65536))),
        )
    return case("d.img", bytes(data), commands(r, "d.img"), r)


def make_card(r: random.Random) -> Case:
    """Make a memory card's image, or what stands in its place, and options of `medium create`."""
    if r.random() < 0.3:
        options = [
            r.choice(("--fill", "--label", "--interleave", "--skew", "--bad", "--files"))
            for _ in range(2)
        ]
        words = [
            w
            for o in options
            for w in (
                o,
                r.choice(
                    (str(number(r)), text(r).replace("\0", ""), "fat12", "3/0/5:id", "E5", "3/0/5")
                ),
            )
        ]
        return Case(
            {},
            (
                "medium",
                "create",
                r.choice(("x.tracks", "x.img")),
                "--geometry",
                r.choice(GEOMETRIES),
                *words,
            ),
            writes=("x.tracks", "x.img"),
        )
    content: Content = r.choice(
        (
            b"",
            b"x",
            bytes(512),
            bytes(511),
            bytes(51200),
            FOLDER,
            PIPE,
            Link("card.img"),
            Link("/dev/zero"),
            r.randbytes(5120),
        )
    )
    slot = {
        "medium": "card.img",
        "blank": r.choice((0, 1, 131072, number(r), value(r))),
        "bad-sectors": r.choice(([], [number(r)], [0] * 20, [value(r)])),
    }
    from fuzzing.toml_text import inline

    source = (
        MACHINE
        + '[slot.cf]\ncard = "compactflash"\nbase = 0x60\n'
        + "".join(f"{k} = {inline(v)}\n" for k, v in slot.items())
    )
    files = {"m.toml": source.encode("utf-8", "surrogatepass")}
    if r.random() < 0.9:
        files["card.img"] = content
    stream = "\n".join(
        [
            "look cards cf",
            *(
                f"set port {r.randrange(0x60, 0x68):X}h = "
                f"{r.choice((0, 0x20, 0x30, 0xEF, 0xEC, 255))}"
                for _ in range(8)
            ),
            "input 60h",
            "input 67h",
            "go 1 ms",
            "look cards cf",
        ]
    )
    return Case(files, ("step", "m.toml", "--commands", "-"), stream.encode())


FAMILIES = (
    Family("tracks", "track images: lying heads, broken gaps, marks and fields", make_tracks),
    Family(
        "fat12",
        "FAT12 disks: broken first sectors, tables, folders, hostile names; listed, "
        "exported, changed",
        make_fat12,
    ),
    Family("harbour", "disks of Tidewater's file system, broken alike", make_harbour),
    Family(
        "cards-and-create", "card images and what stands in their place, `medium create`", make_card
    ),
)
