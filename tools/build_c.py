"""Build ROMs whose program is in C, with SDCC: a start in its assembler, then C sources.

An image is the bytes to burn alone, and what the machine runs is all that the diagnosis has to go
by; a recipe that says ``symbols = true`` also keeps the linker's list of names and lines, .noi.
"""

import shutil
import subprocess
from pathlib import Path

CODE, DATA = 0x0100, 0x8000  # where code and variables begin, unless the recipe says otherwise


class CError(Exception):
    """Say in one line why an image in C cannot be built."""


def is_c(image: dict) -> bool:
    """Tell whether a recipe's image is one of C."""
    return any(Path(source).suffix == ".c" for source in image["sources"])


def build(folder: Path, image: dict, work: Path) -> dict[str, bytes]:
    """Compile and link an image in the scratch folder ``work``; return files by their suffix.

    ``.bin`` has the bytes to burn. With ``symbols`` there is also ``.noi``; it names no folder, so
    it is the same wherever the sources lie. Raises CError.
    """
    if not shutil.which("sdcc"):
        raise CError("Images in C need sdcc. Run: apt-get install -y --no-install-recommends sdcc")
    objects = []
    debug = ["--debug"] if image.get("symbols") else []
    for source in image["sources"]:
        made = work / Path(source).with_suffix(".rel").name
        if source.endswith(".c"):
            flags = [f"-D{name}" for name in image.get("defines", [])]
            command = ["sdcc", "-mz80", "--std-c11", *debug, "-c", *flags, "-o", str(made), source]
        else:
            command = ["sdasz80", "-o", str(made), source]
        _run(command, folder, image)
        objects.append(str(made))
    linked = work / f"{image['name']}.ihx"
    code, data = hex(image.get("code", CODE)), hex(image.get("data", DATA))
    _run(["sdcc", "-mz80", "--no-std-crt0", *debug, "--code-loc", code, "--data-loc", data,
          "-o", linked.name, *objects], work, image)
    files = {".bin": flat(linked.read_text())}
    if debug:
        files[".noi"] = linked.with_suffix(".noi").read_bytes()
    return files


def _run(command: list[str], cwd: Path, image: dict) -> None:
    done = subprocess.run(command, check=False, cwd=cwd, capture_output=True, text=True)
    if done.returncode:
        said = (done.stderr or done.stdout).strip()
        raise CError(f"{image['name']}: {command[0]} failed:\n{said}")


def flat(text: str) -> bytes:
    """Turn Intel HEX from address 0 into the bytes to burn, FFh between its records."""
    out = bytearray()
    for line in text.split():
        raw = bytes.fromhex(line[1:])
        count, at, kind = raw[0], raw[1] << 8 | raw[2], raw[3]
        if kind == 0 and count:
            out.extend(b"\xff" * (at + count - len(out)))
            out[at:at + count] = raw[4:4 + count]
    return bytes(out)
