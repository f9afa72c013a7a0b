"""Build the cross assembler, then every ROM under roms/, the same bytes on any machine.

Each folder under roms/ with a ``build.toml`` names its images:

    [[image]]
    name = "tidewater"          # makes tidewater.elf and tidewater.bin beside the sources
    sources = ["boot.s", "kernel.s"]
    script = "tidewater.ld"     # physical (flash) addresses are the load addresses
    march = "z80"               # optional: what `as -march` takes, e.g. "z80+full"
    pad_to = 8192               # optional: fill the .bin with FFh up to a multiple of this
    start = 0x100               # optional: the address of the .bin's first byte
    flat = false                # optional: make no .bin
    romdisk = "files"           # optional: pack this folder; sources .incbin "romdisk.bin"
    defines = ["NO_EI"]         # optional: symbols to assemble or compile with, set to 1
    arrange = "swap-bytes"      # optional: spoil the .bin: "swap-bytes", "swap-halves", "cut N"

An image with a C source needs sdcc and no script; it becomes a .bin (tools/build_c.py). It may have

    code = 0x100                # optional: where code begins
    data = 0x8000               # optional: where variables begin
    symbols = true              # optional: keep NAME.noi, SDCC's list of names and lines

The tools are GNU binutils for z80-unknown-elf, built once from Debian's packaged source into
$XDG_CACHE_HOME/preburn/toolchain (~/.cache/preburn/toolchain). Set PREBURN_TOOLCHAIN to a folder
that holds bin/z80-unknown-elf-as to use another build.
"""

import fcntl
import os
import shutil
import struct
import subprocess
import sys
import tempfile
import tomllib
from pathlib import Path

import click

sys.path.insert(0, str(Path(__file__).resolve().parent))
sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "roms" / "tidewater"))
import build_c  # a neighbour in this folder, which is no package
import romdisk  # Tidewater brings it along, to be built without this project

PROJECT = Path(__file__).resolve().parent.parent
TARGET = "z80-unknown-elf"
SOURCE_FOLDER = Path("/usr/src/binutils")
KEYS = {
    "name", "sources", "script", "march", "pad_to", "start", "flat", "romdisk", "defines",
    "arrange", "code", "data", "symbols",
}  # fmt: skip
CONFIGURE = [
    f"--target={TARGET}", "--disable-nls", "--disable-gdb", "--disable-sim", "--disable-gprofng",
    "--disable-gprof", "--disable-werror", "--without-zstd", "MAKEINFO=true",
]  # fmt: skip


class BuildError(click.ClickException):
    """Say in one line what stops the build and how to mend it; exit status 2."""

    exit_code = 2


def toolchain_folder() -> Path:
    """Return the folder whose bin/ holds the cross tools, from the environment or the cache."""
    if override := os.environ.get("PREBURN_TOOLCHAIN"):
        return Path(override)
    cache = os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache"
    return Path(cache) / "preburn" / "toolchain"


def missing_packages() -> list[str]:
    """Return the Debian packages that the toolchain build still needs."""
    needs = {
        "binutils-source": any(SOURCE_FOLDER.glob("binutils-*.tar.xz")),
        "libc6-dev": Path("/usr/include/stdio.h").exists(),
    }
    programs = {"gcc": "gcc", "make": "make", "bison": "bison", "flex": "flex", "xz-utils": "xz"}
    needs |= {package: bool(shutil.which(program)) for package, program in programs.items()}
    return [package for package, present in needs.items() if not present]


def ensure_toolchain() -> Path:
    """Return the toolchain folder, building it first when it is not there."""
    folder = toolchain_folder()
    if (folder / "bin" / f"{TARGET}-ld").exists():
        return folder
    if os.environ.get("PREBURN_TOOLCHAIN"):
        raise BuildError(f"PREBURN_TOOLCHAIN={folder} holds no bin/{TARGET}-ld: unset or mend it.")
    if missing := missing_packages():
        line = "apt-get install -y --no-install-recommends " + " ".join(missing)
        raise BuildError(f"The toolchain needs {', '.join(missing)}. Run: {line}")
    folder.parent.mkdir(parents=True, exist_ok=True)
    with open(folder.with_suffix(".lock"), "w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)  # a second builder waits here, then finds it built
        if not (folder / "bin" / f"{TARGET}-ld").exists():
            build_toolchain(folder)
    return folder


def build_toolchain(folder: Path) -> None:
    """Configure, make and install binutils into ``folder``, which appears whole or not at all."""
    source = max(SOURCE_FOLDER.glob("binutils-*.tar.xz"))
    click.echo(f"building {source.name.removesuffix('.tar.xz')} for {TARGET} into {folder}")
    with tempfile.TemporaryDirectory(prefix="preburn-toolchain-") as temporary:
        work = Path(temporary)
        log = work / "log"
        # Not Python's tarfile: the package lists files twice, and each time it starts over.
        run_logged(["tar", "xJf", str(source)], work, log)
        build = work / "build"
        build.mkdir()
        configure = next(work.glob("binutils-*")) / "configure"
        run_logged([str(configure), f"--prefix={folder}", *CONFIGURE], build, log)
        run_logged(["make", f"-j{os.cpu_count() or 1}", "MAKEINFO=true"], build, log)
        install = ["make", "install-strip", "MAKEINFO=true", f"DESTDIR={work}/root"]
        run_logged(install, build, log)
        staged = folder.with_name(f"{folder.name}.new")
        shutil.rmtree(staged, ignore_errors=True)
        shutil.move(f"{work}/root{folder}", staged)
        staged.rename(folder)


def run_logged(command: list[str], cwd: Path, log: Path) -> None:
    """Run a long, talkative command; on failure show the end of what it said."""
    with log.open("ab") as sink:
        done = subprocess.run(command, check=False, cwd=cwd, stdout=sink, stderr=subprocess.STDOUT)
    if done.returncode:
        tail = "\n".join(log.read_text(errors="replace").splitlines()[-15:])
        raise BuildError(f"{Path(command[0]).name} failed while building the toolchain:\n{tail}")


def read_images(recipe: Path) -> list[dict]:
    """Return the checked ``[[image]]`` tables of one build.toml."""
    try:
        document = tomllib.loads(recipe.read_text())
    except tomllib.TOMLDecodeError as error:
        raise BuildError(f"{recipe}: {error}.") from None
    images = document.get("image", [])
    if set(document) != {"image"} or not isinstance(images, list):
        raise BuildError(f"{recipe}: only [[image]] tables may stand here.")
    for image in images:
        unknown, missing = set(image) - KEYS, {"name", "sources", "script"} - set(image)
        if "sources" in image and build_c.is_c(image):
            missing -= {"script"}
        if unknown or missing:
            problem = f"unknown {sorted(unknown)}" if unknown else f"missing {sorted(missing)}"
            raise BuildError(f"{recipe}: image {image.get('name', '?')!r}: {problem}.")
    return images


def build_image(tools: Path, folder: Path, image: dict, out: Path) -> list[Path]:
    """Assemble and link one image of ``folder``; write NAME.elf and NAME.bin into ``out``."""
    if build_c.is_c(image):
        return build_c_image(folder, image, out)
    with tempfile.TemporaryDirectory(prefix="preburn-rom-") as temporary:
        work = Path(temporary)
        if "romdisk" in image:
            try:
                (work / "romdisk.bin").write_bytes(romdisk.pack(folder / image["romdisk"]))
            except romdisk.RomDiskError as error:
                raise BuildError(str(error)) from None
        objects = [assemble(tools, folder, work, image, source) for source in image["sources"]]
        if len(set(objects)) != len(objects):
            raise BuildError(f"{folder}: two sources of {image['name']} share a file name.")
        elf, flat = out / f"{image['name']}.elf", out / f"{image['name']}.bin"
        script = str((folder / image["script"]).resolve())
        # -n: without it every segment is padded to a 64 KiB page. Object names are relative,
        # as the linker puts them into the symbol table.
        # -q keeps the relocations: they tell the lines of overlapping pages apart.
        link = ["ld", "-n", "-q", "--no-warn-rwx-segments", "--fatal-warnings", "-T", script,
                "-o", "image.elf", *objects]
        run_tool(tools, link, work, image)
        shutil.copyfile(work / "image.elf", elf)
    if not image.get("flat", True):
        return [elf]
    burned = flatten(elf, image.get("pad_to", 1), image.get("start", 0))
    flat.write_bytes(arranged(burned, image))
    return [elf, flat]


def build_c_image(folder: Path, image: dict, out: Path) -> list[Path]:
    """Compile and link one image with C sources; write NAME.bin (and NAME.noi) into ``out``."""
    with tempfile.TemporaryDirectory(prefix="preburn-rom-") as temporary:
        try:
            made = build_c.build(folder.resolve(), image, Path(temporary))
        except build_c.CError as error:
            raise BuildError(str(error)) from None
    paths = []
    for suffix, content in made.items():
        paths.append(out / f"{image['name']}{suffix}")
        paths[-1].write_bytes(content)
    return paths


def assemble(tools: Path, folder: Path, work: Path, image: dict, source: str) -> str:
    """Assemble one source into ``work``; return the object's name.

    The folder enters the DWARF lines as its path below the project (or as its bare name), so
    that the ELF is the same wherever the project lies.
    """
    root = folder.resolve()
    shown = root.relative_to(PROJECT) if root.is_relative_to(PROJECT) else Path(root.name)
    name = Path(source).with_suffix(".o").name
    command = ["as", f"-march={image.get('march', 'z80')}", "-g", f"-I{work}",
               f"-I{(root / source).parent}"]
    command += [part for name in image.get("defines", []) for part in ("--defsym", f"{name}=1")]
    command += [f"--debug-prefix-map={root}={shown.as_posix()}", "-o", str(work / name), source]
    run_tool(tools, command, root, image)
    return name


def run_tool(tools: Path, command: list[str], cwd: Path, image: dict) -> None:
    """Run one cross tool in ``cwd``; on failure pass on what it said."""
    program = tools / "bin" / f"{TARGET}-{command[0]}"
    environment = dict(os.environ, LC_ALL="C", PWD=str(cwd))
    done = subprocess.run(
        [str(program), *command[1:]],
        check=False,
        cwd=cwd,
        env=environment,
        capture_output=True,
        text=True,
    )
    if done.returncode:
        raise BuildError(f"{image['name']}: {command[0]} failed:\n{done.stderr.strip()}")


def arranged(burned: bytes, image: dict) -> bytes:
    """Return the bytes as a mistake with the programmer or the chip would leave them."""
    how, _, number = image.get("arrange", "").partition(" ")
    if how == "swap-bytes":
        return b"".join(burned[k : k + 2][::-1] for k in range(0, len(burned), 2))
    if how == "swap-halves":
        return burned[len(burned) // 2 :] + burned[: len(burned) // 2]
    if how == "cut" and number.isdigit():
        return burned[: int(number)]
    if how:
        raise BuildError(f"{image['name']}: arrange takes swap-bytes, swap-halves or cut N.")
    return burned


def flatten(elf: Path, pad_to: int = 1, first: int = 0) -> bytes:
    """Return the bytes to burn: every loaded segment at its physical address, FFh elsewhere.

    ``first`` is the address of the first byte that is returned.
    """
    raw = elf.read_bytes()
    (offset,) = struct.unpack_from("<I", raw, 28)
    size, count = struct.unpack_from("<HH", raw, 42)
    flat = bytearray()
    for header in range(offset, offset + size * count, size):
        kind, start, _, physical, length = struct.unpack_from("<5I", raw, header)
        if kind != 1 or not length:
            continue
        if len(flat) < physical + length:
            flat.extend(b"\xff" * (physical + length - len(flat)))
        flat[physical : physical + length] = raw[start : start + length]
    return bytes(flat[first:]) + b"\xff" * (-len(flat[first:]) % pad_to)


def recipes(roms: Path) -> list[Path]:
    """Return every build.toml below ``roms``, in a fixed order."""
    return sorted(roms.rglob("build.toml"))


def differences(made: list[Path], folder: Path) -> list[str]:
    """Return a line for each freshly made file that differs from the committed one."""
    lines = []
    for path in made:
        committed = folder / path.name
        if not committed.exists():
            lines.append(f"{committed} is missing: run tools/build_roms.py and commit it.")
        elif committed.read_bytes() != path.read_bytes():
            lines.append(f"{committed} is not what its sources build: run tools/build_roms.py.")
    return lines


@click.command()
@click.option("--toolchain-only", is_flag=True, help="Build the cross assembler and stop.")
@click.option("--check", is_flag=True, help="Write nothing; exit 1 when a committed ROM differs.")
@click.argument("folders", nargs=-1, type=click.Path(exists=True, file_okay=False, path_type=Path))
def main(toolchain_only: bool, check: bool, folders: tuple[Path, ...]) -> None:
    """Build the ROMs in FOLDERS (all under roms/ when none is given)."""
    tools = ensure_toolchain()
    if toolchain_only:
        click.echo(tools)
        return
    problems = []
    for root in folders or (PROJECT / "roms",):
        for recipe in recipes(root):
            problems += build_folder(tools, recipe, check)
    for line in problems:
        click.echo(line, err=True)
    if not check:
        click.echo("Now python tools/record_roms.py, and review what changed in the records.")
    sys.exit(1 if problems else 0)


def build_folder(tools: Path, recipe: Path, check: bool) -> list[str]:
    """Build every image of one build.toml, in place or (``check``) beside it; return problems."""
    problems = []
    with tempfile.TemporaryDirectory(prefix="preburn-check-") as temporary:
        for image in read_images(recipe):
            made = build_image(tools, recipe.parent, image, Path(temporary))
            if check:
                problems += differences(made, recipe.parent)
                continue
            for path in made:
                shutil.copyfile(path, recipe.parent / path.name)
                click.echo(f"{recipe.parent / path.name}: {path.stat().st_size} bytes")
    return problems


if __name__ == "__main__":
    main()
