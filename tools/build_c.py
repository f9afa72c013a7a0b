"""Build ROMs whose program is in C, with SDCC: a start in its assembler, then C sources.

Such an image has no symbols: what the machine runs is all that the diagnosis has to go by.
"""

import shutil
import subprocess
from pathlib import Path

CODE, DATA = 0x0100, 0x8000  # where code and variables begin


class CError(Exception):
    """Say in one line why an image in C cannot be built."""


def is_c(image: dict) -> bool:
    """Tell whether a recipe's image is one of C."""
    return any(Path(source).suffix == ".c" for source in image["sources"])


def build(folder: Path, image: dict, work: Path) -> bytes:
    """Compile and link an image; return the bytes to burn. ``work`` is a scratch folder."""
    if not shutil.which("sdcc"):
        raise CError("Images in C need sdcc. Run: apt-get install -y --no-install-recommends sdcc")
    objects = []
    for source in image["sources"]:
        made = work / Path(source).with_suffix(".rel").name
        if source.endswith(".c"):
            flags = [f"-D{name}" for name in image.get("defines", [])]
            command = ["sdcc", "-mz80", "--std-c11", "-c", *flags, "-o", str(made), source]
        else:
            command = ["sdasz80", "-o", str(made), source]
        _run(command, folder, image)
        objects.append(str(made))
    linked = work / "image.ihx"
    _run(["sdcc", "-mz80", "--no-std-crt0", "--code-loc", hex(CODE), "--data-loc", hex(DATA),
          "-o", str(linked), *objects], work, image)
    return flat(linked.read_text())


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
