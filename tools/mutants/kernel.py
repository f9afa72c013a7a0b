"""A healthy program of roms/kernels/: its sources, its backplane, what a sound run shows."""
from __future__ import annotations

import ast
import re
import tomllib
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

from mutants.lines import Line, lines_of

KERNELS = Path(__file__).resolve().parent.parent.parent / "roms" / "kernels"
MEMORY_CARDS = ("plain-memory", "banked-memory")
ASSEMBLY = (".s", ".asm", ".inc")
EQUATE = re.compile(r"^\s*(?:\.equ\s+|\.set\s+)?([A-Za-z_]\w*)\s*(?:,|==?|\bequ\b)\s*(.+)$", re.I)
SFR = re.compile(r"__sfr\s+(?:__banked\s+)?__at\s*\(?\s*(\w+)\s*\)?\s+(\w+)")
DEFINE = re.compile(r"^\s*#\s*define\s+(\w+)\s+(.+)$")
REGISTERS = {  # in the order of their ports from the base on; `preburn cards NAME` tells them
    "z80-sio": ("a-data", "a-control", "b-data", "b-control"),
    "z80-ctc": ("channel0", "channel1", "channel2", "channel3"),
    "z80-pio": ("data-a", "data-b", "control-a", "control-b"),
    "acia-6850": ("control", "data"), "uart-16550": tuple("r" * 8),
    "compactflash": ("data", "error", "count", "lba0", "lba1", "lba2", "head", "status"),
    "fdc-765": ("status", "data", "output", "rate"), "hd44780": ("instruction", "data"),
    "rtc-6242": tuple("r" * 16), "banked-memory": tuple("p" * 8) + ("latch",),
}


class CorpusError(Exception):
    """Say in one line what is wrong with a program of the corpus."""


@dataclass(frozen=True)
class Kernel:
    """One program: its folder and what its files say."""

    folder: Path
    about: dict[str, Any]  # kernel.toml
    tree: dict[str, Any]  # machine.toml, with what it extends
    images: tuple[dict[str, Any], ...]  # build.toml

    @property
    def name(self) -> str:
        """The folder's name."""
        return self.folder.name

    @property
    def half(self) -> str:
        """``open`` or ``closed``."""
        return str(self.about["half"])

    @property
    def limit(self) -> float:
        """Emulated seconds in which the demonstration is over."""
        return float(self.about["limit"])

    @property
    def slots(self) -> dict[str, dict[str, Any]]:
        """The slots with a card in them."""
        return {name: slot for name, slot in self.tree.get("slot", {}).items()
                if slot.get("fitted", True)}

    @property
    def memory(self) -> str:
        """The slot whose card holds the image."""
        return next(name for name, slot in self.slots.items() if "image" in slot)

    @property
    def image(self) -> dict[str, Any]:
        """The image that the machine boots, as build.toml has it."""
        stem = Path(self.slots[self.memory]["image"]).stem
        return next((i for i in self.images if i["name"] == stem), self.images[0])

    @property
    def in_c(self) -> bool:
        """Whether SDCC builds it."""
        return any(source.endswith(".c") for source in self.image["sources"])

    @property
    def chain(self) -> list[str]:
        """The slots of the interrupt chain, highest first."""
        return [slot for slot in self.tree.get("backplane", {}).get("chain", [])
                if slot in self.slots]

    def slots_of(self, *cards: str) -> dict[str, dict[str, Any]]:
        """Give the slots that hold one of these cards."""
        return {name: slot for name, slot in self.slots.items() if slot.get("card") in cards}

    def ports_of(self, slot: str) -> list[int]:
        """Give the ports at which a slot answers."""
        about = self.slots[slot]
        out = list(about.get("ports", {}).values())
        if "base" in about:
            registers = about.get("order") or REGISTERS.get(about["card"], ("r",))
            out += [about["base"] + n for n in range(len(registers))]
        return sorted(set(out))

    @cached_property
    def ports(self) -> dict[int, str]:
        """The slot behind each port."""
        return {port: name for name in self.slots for port in self.ports_of(name)}

    @cached_property
    def texts(self) -> dict[str, str]:
        """The text of each source, of what the sources include, and of the linker script."""
        wanted = [*self.image["sources"], *([self.image["script"]] if "script" in self.image
                                            else [])]
        wanted += [path.name for path in sorted(self.folder.iterdir())
                   if path.suffix in (".inc", ".h") and path.name not in wanted]
        return {name: (self.folder / name).read_text() for name in dict.fromkeys(wanted)}

    @cached_property
    def lines(self) -> list[Line]:
        """Every line of assembly, in .s and .asm files and inside C."""
        out: list[Line] = []
        for name, text in self.texts.items():
            if name.endswith((*ASSEMBLY, ".c")):
                out += lines_of(name, text)
        return out

    @cached_property
    def equates(self) -> dict[str, int]:
        """Names with a number, in assembly and C."""
        raw: dict[str, str] = {}
        for name, text in self.texts.items():
            for row in text.splitlines():
                if name.endswith(ASSEMBLY) and (found := EQUATE.match(row.split(";")[0])):
                    raw[found[1]] = found[2].strip()
                elif found := SFR.search(row):
                    raw[found[2]] = found[1]
                elif name.endswith((".c", ".h")) and (found := DEFINE.match(row)):
                    raw[found[1]] = found[2].split("/*")[0].split("//")[0].strip()
        out: dict[str, int] = {}
        for _ in range(4):  # names that are made of others
            for key, value in raw.items():
                number = number_of(value, out)
                if key not in out and number is not None:
                    out[key] = number
        return out

    def port(self, word: str) -> int | None:
        """Give the port that an operand such as ``(SIO_A)`` or ``sio_control`` stands for."""
        return number_of(word.strip().strip("()").strip(), self.equates)


def number_of(text: str, names: dict[str, int]) -> int | None:
    """Work out a small constant expression of either assembler, or give None."""
    text = re.sub(r"^#", "", text.strip())
    text = re.sub(r"\b([0-9][0-9A-Fa-f]*)[hH]\b", r"0x\1", text)
    text = re.sub(r"\$([0-9A-Fa-f]+)\b", r"0x\1", text)
    try:
        return _value(ast.parse(text, mode="eval").body, names)
    except (SyntaxError, ValueError, KeyError, TypeError, ZeroDivisionError):
        return None


def _value(node: ast.expr, names: dict[str, int]) -> int:
    if isinstance(node, ast.Constant) and type(node.value) is int:
        return node.value
    if isinstance(node, ast.Name):
        return names[node.id]
    if isinstance(node, ast.BinOp):
        left, right = _value(node.left, names), _value(node.right, names)
        match node.op:
            case ast.Add():
                return left + right
            case ast.Sub():
                return left - right
            case ast.Mult():
                return left * right
            case ast.BitOr():
                return left | right
            case ast.BitAnd():
                return left & right
            case ast.LShift():
                return left << min(right, 32)
            case ast.RShift():
                return left >> min(right, 32)
            case ast.Div() | ast.FloorDiv():
                return left // right
    raise ValueError("no constant")


def load_tree(path: Path) -> dict[str, Any]:
    """Read a backplane file with what it extends, table laid over table."""
    tree = tomllib.loads(path.read_text())
    base = tree.pop("extends", None)
    return _laid(load_tree(path.parent / base), tree) if base else tree


def _laid(under: dict[str, Any], over: dict[str, Any]) -> dict[str, Any]:
    out = dict(under)
    for key, value in over.items():
        both = isinstance(value, dict) and isinstance(out.get(key), dict)
        out[key] = _laid(out[key], value) if both else value
    return out


def load(folder: Path) -> Kernel:
    """Read one program; CorpusError names what is missing or wrong."""
    try:
        about = tomllib.loads((folder / "kernel.toml").read_text())
        tree = load_tree(folder / "machine.toml")
        images = tomllib.loads((folder / "build.toml").read_text()).get("image", [])
    except (OSError, tomllib.TOMLDecodeError) as error:
        raise CorpusError(f"{folder}: {error}.") from None
    if about.get("half") not in ("open", "closed"):
        raise CorpusError(f'{folder}/kernel.toml: half must be "open" or "closed".')
    if missing := {"title", "until", "limit"} - set(about):
        raise CorpusError(f"{folder}/kernel.toml: lacks {', '.join(sorted(missing))}.")
    if not images:
        raise CorpusError(f"{folder}/build.toml: holds no [[image]].")
    return Kernel(folder, about, tree, tuple(images))


def kernels(half: str = "all", root: Path = KERNELS) -> list[Kernel]:
    """Read the programs of one half, or all, in the order of their names."""
    found = [load(path.parent) for path in sorted(root.glob("*/kernel.toml"))]
    return [kernel for kernel in found if half in ("all", kernel.half)]
