"""Operators for memory chips, media, partners and jumpers of cards that do more than serial."""
from __future__ import annotations

from typing import Any

from mutants.kernel import Kernel
from mutants.labels import of_card
from mutants.model import BACKPLANE, DELETE, Mutant, Registry
from mutants.wiring import named, setting

REGISTRY = Registry(BACKPLANE, 2)


def _plain(kernel: Kernel) -> tuple[str, dict[str, Any]] | None:
    slot = kernel.slots[kernel.memory]
    return (kernel.memory, slot) if slot["card"] == "plain-memory" else None


def _banked(kernel: Kernel) -> tuple[str, dict[str, Any]] | None:
    slot = kernel.slots[kernel.memory]
    return (kernel.memory, slot) if slot["card"] == "banked-memory" else None


@REGISTRY.add("ram-half")
def ram_half(kernel: Kernel) -> list[Mutant]:
    """Half of the RAM is not there: its upper half, or (banked) its upper pages."""
    if plain := _plain(kernel):
        name, slot = plain
        first, size = slot.get("ram-start", 0x8000), slot.get("ram-size", 0x8000)
        return [setting(kernel, "ram-half", "upper", [(("slot", name, "ram-size"), size // 2)],
                        [f"@{first + size // 2:#06x}-{first + size - 1:#06x}", "RAM", name,
                         "stack"], "nothing answers where the program counts on RAM")]
    name, slot = _banked(kernel) or ("", {})
    if not name:
        return []
    return [setting(kernel, "ram-half", "upper",
                    [(("slot", name, "ram-size"), slot.get("ram-size", 524288) // 2)],
                    ["RAM", "page", name], "the upper pages do not answer")]


@REGISTRY.add("ram-lower-missing")
def ram_lower(kernel: Kernel) -> list[Mutant]:
    """The decoder of the RAM begins in the middle."""
    plain = _plain(kernel)
    if not plain:
        return []
    name, slot = plain
    first, size = slot.get("ram-start", 0x8000), slot.get("ram-size", 0x8000)
    return [setting(kernel, "ram-lower-missing", "lower",
                    [(("slot", name, "ram-start"), first + size // 2),
                     (("slot", name, "ram-size"), size // 2)],
                    [f"@{first:#06x}-{first + size // 2 - 1:#06x}", "RAM", name, "stack"],
                    "nothing answers where the variables should be",
                    ("stack-overrun", "stack-in-rom", "runs-wild", "rst38-storm", "rom-shadow",
                     "dead-ram", "stuck-flag", "lock-held", "stops-itself", "unset-pointer",
                     "bad-vector", "address-line", "overwritten"))]


@REGISTRY.add("ram-chip-half")
def ram_chip(kernel: Kernel) -> list[Mutant]:
    """The RAM chip has half the size of its decode, and repeats."""
    plain = _plain(kernel)
    if not plain:
        return []
    name, slot = plain
    size = slot.get("ram-size", 0x8000)
    if size & (size - 1):
        return []
    first = slot.get("ram-start", 0x8000)
    return [setting(kernel, "ram-chip-half", "chip",
                    [(("slot", name, "ram-chip-size"), size // 2)],
                    [f"@{first:#06x}-{first + size - 1:#06x}", "RAM", name, "stack", "line"],
                    "the two halves are one")]


@REGISTRY.add("rom-half")
def rom_half(kernel: Kernel) -> list[Mutant]:
    """The decoder gives the ROM only as many addresses as half of the image."""
    plain = _plain(kernel)
    binary = kernel.folder / f"{kernel.image['name']}.bin"
    if not plain or not binary.exists():
        return []
    size = 1 << (binary.stat().st_size - 1).bit_length() - 1
    first = plain[1].get("rom-start", 0)
    return [setting(kernel, "rom-half", "decode",
                    [(("slot", plain[0], "rom-chip-size"), size)],
                    [f"@{first + size:#06x}-{first + 2 * size - 1:#06x}", "ROM", "image",
                     plain[0], "line"], "the upper half of the program reads as its lower one")]


def _banking(kernel: Kernel, name: str, key: str, value: Any, why: str) -> list[Mutant]:
    banked = _banked(kernel)
    if not banked or banked[1].get(key) == value:
        return []
    return [setting(kernel, name, key, [(("slot", banked[0], key), value)],
                    ["page", "window", *named(kernel, banked[0]), "stack", "RAM"], why)]


@REGISTRY.add("ram-pages-elsewhere")
def ram_pages(kernel: Kernel) -> list[Mutant]:
    """The RAM answers to other page numbers."""
    banked = _banked(kernel)
    page = banked[1].get("ram-page", 64) if banked else 0
    return _banking(kernel, "ram-pages-elsewhere", "ram-page", page ^ 0x10,
                    "the program's pages are not where it maps them")


@REGISTRY.add("page-bits-fewer")
def page_bits(kernel: Kernel) -> list[Mutant]:
    """One bit of the page registers is not wired."""
    banked = _banked(kernel)
    bits = banked[1].get("page-bits", 7) if banked else 7
    return _banking(kernel, "page-bits-fewer", "page-bits", bits - 1,
                    "RAM pages lead to the flash")


@REGISTRY.add("window-other")
def window(kernel: Kernel) -> list[Mutant]:
    """The windows have twice the size."""
    banked = _banked(kernel)
    size = banked[1].get("window-size", 8192) if banked else 8192
    return _banking(kernel, "window-other", "window-size", 32768 if size == 16384 else 16384,
                    "pages lie elsewhere than the program counts")


@REGISTRY.add("medium-missing")
def medium(kernel: Kernel) -> list[Mutant]:
    """There is no card in the socket, or no disk in the drive."""
    out = []
    for name, slot in kernel.slots_of("compactflash", "fdc-765").items():
        if "medium" in slot:
            out.append(setting(kernel, "medium-missing", name, [(("slot", name, "medium"), DELETE)],
                               [*named(kernel, name), "socket", "card", "disk"],
                               "commands are never answered"))
        for key, value in slot.items():
            if isinstance(value, dict) and "medium" in value:
                out.append(setting(kernel, "medium-missing", f"{name}-{key}",
                                   [(("slot", name, key),
                                     {k: v for k, v in value.items()
                                      if k not in ("medium", "blank", "geometry")})],
                                   [*named(kernel, name), "drive", "disk"],
                                   "index pulses never come"))
    return out


@REGISTRY.add("medium-unformatted")
def unformatted(kernel: Kernel) -> list[Mutant]:
    """The sectors that the program reads first cannot be read."""
    return [setting(kernel, "medium-unformatted", name,
                    [(("slot", name, "bad-sectors"), list(range(8)))], named(kernel, name),
                    "reads end with an error",
                    ("failed-command", "foreign-sector", "stops-itself", "masked-halt"))
            for name, slot in kernel.slots_of("compactflash").items() if "medium" in slot]


@REGISTRY.add("partner-missing")
def partner(kernel: Kernel) -> list[Mutant]:
    """Nothing strobes at a parallel port."""
    return [setting(kernel, "partner-missing", f"{name}-{key}", [(("slot", name, key), DELETE)],
                    [*named(kernel, name), "strobe"], "the port waits for ever")
            for name, slot in kernel.slots_of("z80-pio").items()
            for key in ("partner-a", "partner-b") if key in slot]


@REGISTRY.add("battery-flat")
def battery(kernel: Kernel) -> list[Mutant]:
    """The battery of a clock is flat."""
    return [setting(kernel, "battery-flat", name, [(("slot", name, "battery"), "flat")],
                    [*named(kernel, name), "clock", "battery"], "the clock stands and holds noise")
            for name in kernel.slots_of("ds1302", "rtc-6242")]


@REGISTRY.add("chip-protected")
def protected(kernel: Kernel) -> list[Mutant]:
    """The write-protect jumper of the flash is set."""
    banked = _banked(kernel)
    return _banking(kernel, "chip-protected", "write-protect", True,
                    "the flash takes no write pulse") if banked else []


@REGISTRY.add("watchdog-hasty")
def watchdog(kernel: Kernel) -> list[Mutant]:
    """A watchdog has a twentieth of its time."""
    return [setting(kernel, "watchdog-hasty", name,
                    [(("slot", name, "timeout"), max(1, int(slot["timeout"]) // 20))],
                    [*named(kernel, name), "watchdog"], "it bites a sound program")
            for name, slot in kernel.slots_of("watchdog").items() if slot.get("timeout")]


@REGISTRY.add("switches-other")
def switches(kernel: Kernel) -> list[Mutant]:
    """The switches of a latch stand the other way round."""
    return [setting(kernel, "switches-other", name,
                    [(("slot", name, "switches"), slot.get("switches", 0xFF) ^ 0xFF)],
                    named(kernel, name), "the program reads what it does not expect",
                    (*of_card(kernel, name, "set-up"), "stuck-flag", "stops-itself"))
            for name, slot in kernel.slots_of("parallel-latch").items() if "switches" in slot]
