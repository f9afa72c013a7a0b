"""Say chip by chip which statements of the manuals are held by a test, made from the tests.

    python tools/depth.py            # write the table in docs/cards.md, and docs/depth.md
    python tools/depth.py --check    # exit 1 when one is not what the tests say

A statement is a test's name.  Its source is what the test's own docstring and comments or the
comment above it name: a document of `DOCUMENTS`, or a word of `RECALLED`; in a file that is
held against one document (test_published_*) what the file's docstring names, else.  Where that
docstring says that a document is recalled, its name is memory's.  A test that names neither
holds what follows from the others, or how the card is made.
"""
from __future__ import annotations

import ast
import re
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
PAGE, LIST = ROOT / "docs" / "cards.md", ROOT / "docs" / "depth.md"
PLACE = re.compile(r"(<!-- table depth -->\n).*?(<!-- end -->)", re.S)
HELD, MEMORY, OWN = range(3)

# Test files whose name is not the card's module.
OTHERS = {
    "published_acknowledge": "z80_cpu", "published_cpu": "z80_cpu", "emu_cpu": "z80_cpu",
    "published_ctc": "z80_ctc", "published_pio": "z80_pio", "published_dma": "z80_dma",
    "published_flash": "banked_memory", "peripherals_nor_flash": "banked_memory",
    "peripherals_eeprom_28c": "plain_memory", "peripherals_flash_29f": "banked_memory",
    "peripherals_timer_8254": "timer_82c54", "published_floppy": "fdc_765",
    "published_clocks": "ds1302", "published_hd44780": "hd44780",
    "published_compactflash": "compactflash", "published_sd_card": "sd_card",
    "published_i2c": "i2c_bus", "peripherals_wd_fdc": "fdc_wd17xx", "emu_sio": "z80_sio",
    "emu_bus_waiting": "z80_cpu",
}
BY_WORD = {"published_serial": {"sio": "z80_sio", "acia": "acia_6850"},
           "peripherals_clock_troubles": {"a_parallel": "rtc_6242", "": "ds1302"}}
NUMBER = r"(?:\d[\d-]*(?:(?:,| and)? (?:p\.\s?)?\d[\d-]*)*)"
PAGES = rf"(?:,? p\.\s?{NUMBER})?"
DOCUMENTS = re.compile(
    rf"(?:UM00\d\d|\bC256|\bC64B?|\bMCHP|\bF0[14]0B|\bAS040|\bF016|\bDAQ"
    rf"|UM010903|\bTM|\bSCC|\bDS|\bCFM?|\bH82|\bI82|\bSDM\d*|\bPLS|FEDL6242B-02|MQ-162-03"
    rf"|82077(?:AA)?|LPC47\w+|FDC37\w+|W83977F-A|SMC\w+|PD765|S71147|MC6850|PC16550D?|TL16C\w+"
    rf"|HD44780U?|Z8410|SDCC 4\.2|GNU (?:as|objdump|binutils)|single-step)\b{PAGES}|\[8272[^\]]*\]")
BARE_PAGE = re.compile(rf"\bp\.\s?{NUMBER}")
RECALLED = re.compile(
    r"[Ff]rom memory|\([Mm]emory|[Mm]emory[,:;)]|: memory|memory, \d\d|[Cc]ommon practice|no source"
    r"|common knowledge|[Uu]nsettled|[Dd]erived|on silicon")


@dataclass(frozen=True)
class Statement:
    """What one test holds, and on whose word."""

    words: str
    test: str  # file and function
    source: str
    kind: int


def text_of(node: ast.FunctionDef, lines: list[str]) -> str:
    """Join a test's docstring, its comments and the comment above it."""
    start = min([node.lineno, *(d.lineno for d in node.decorator_list)]) - 1
    above = start
    while above > 0 and lines[above - 1].startswith("#") and "# ---" not in lines[above - 1]:
        above -= 1
    remarks = re.findall(r"(?<!&)#(?!\w) ?(.*)", "\n".join(lines[above:node.end_lineno]))
    return " ".join(" ".join([ast.get_docstring(node) or "", *remarks]).split())


def statements(file: Path) -> Iterator[tuple[str, Statement]]:
    """Give the statements of a test file, with the test's name."""
    source = file.read_text()
    tree, lines = ast.parse(source), source.splitlines()
    about = " ".join((ast.get_docstring(tree) or "").split())
    for node in tree.body:
        if not isinstance(node, ast.FunctionDef) or not node.name.startswith("test_"):
            continue
        own = text_of(node, lines)
        named = [found.group() for found in DOCUMENTS.finditer(own)]
        default = DOCUMENTS.search(about)
        if not named and default and BARE_PAGE.search(own):
            named = [default.group().split(" p.")[0] + " " + found.group()
                     for found in BARE_PAGE.finditer(own)]
        recalled = RECALLED.search(own)
        if not named and not recalled:
            named = [default.group()] if default and "published" in file.stem else []
            recalled = None if named else RECALLED.search(about)
        told = named[0].split(" p.")[0] if named else ""
        only_told = told and re.search(rf'"{re.escape(told)}"[^.;]*recalled', about)
        kind = MEMORY if recalled or only_told else HELD if named else OWN
        words = node.name.removeprefix("test_").replace("_", " ")
        known = ", ".join(dict.fromkeys(named))
        yield node.name, Statement(words, f"{file.stem}::{node.name}", known, kind)


def card_of(stem: str, test: str, modules: list[str]) -> str | None:
    """Name the card's module that a test is about; None: it is about no card."""
    for prefix, words in BY_WORD.items():
        if stem.startswith(prefix):
            return next((m for word, m in words.items() if test.startswith(f"test_{word}")), None)
    own = [m for m in modules if stem.startswith(f"peripherals_{m}")]
    if own:
        return max(own, key=len)
    return next((m for prefix, m in OTHERS.items() if stem.startswith(prefix)), None)


def gathered() -> dict[str, list[Statement]]:
    """Give the statements by card name, the held ones first."""
    from emu.backplane.card_catalogue import cards

    names = {name.replace("-", "_"): name for name in cards()}
    found: dict[str, list[Statement]] = {name: [] for name in cards()}
    for file in sorted((ROOT / "tests").glob("test_*.py")):
        for test, statement in statements(file):
            module = card_of(file.stem.removeprefix("test_"), test, list(names))
            if module in names:
                found[names[module]].append(statement)
    return {name: sorted(held, key=lambda s: (s.kind, s.test)) for name, held in found.items()}


def table(found: dict[str, list[Statement]]) -> str:
    """Make the table of the cards: counts, and what is not modelled."""
    from emu.backplane.card_catalogue import cards

    rows = ["| card | held, source named | from memory | follows | not modelled |",
            "|---|---|---|---|---|"]
    for name, held in found.items():
        counts = [sum(s.kind == kind for s in held) for kind in (HELD, MEMORY, OWN)]
        missing = "; ".join(cards()[name].unmodelled) or "-"
        rows.append(f"| [`{name}`](depth.md#{name}) | {counts[0]} | {counts[1]} | {counts[2]} | "
                    f"{missing} |")
    return "\n".join(rows) + "\n"


def listing(found: dict[str, list[Statement]]) -> str:
    """Make the list of all statements, a heading a card."""
    from emu.backplane.card_catalogue import cards

    out = ["# What the tests hold, card by card", "",
           "Made by `python tools/depth.py` from the tests: a statement is a test's name, its",
           "source what the test names. \"From memory\" is what nobody has found in a document",
           "yet, or what is unsettled there; what follows from the others, or is how the card is",
           "made, has no mark.", ""]
    marks = {HELD: "", MEMORY: "from memory", OWN: ""}
    for name, held in found.items():
        card = cards()[name]
        out += [f"## {name}", "", f"{card.summary}. Written after: {card.source}.", ""]
        if card.unmodelled:
            out += ["Not modelled: " + "; ".join(card.unmodelled) + ".", ""]
        out += ["| statement | source | test |", "|---|---|---|"]
        for s in held:
            source = ", ".join(filter(None, (marks[s.kind], s.source)))
            out.append(f"| {s.words} | {source} | `{s.test}` |")
        out.append("")
    return "\n".join(out)


def main(arguments: list[str]) -> int:
    """Write or check both pages; the exit status."""
    found = gathered()
    page = PAGE.read_text()
    wanted = {PAGE: PLACE.sub(lambda place: place[1] + table(found) + place[2], page),
              LIST: listing(found)}
    stale = [path for path, text in wanted.items()
             if not path.exists() or path.read_text() != text]
    if "--check" not in arguments:
        for path in stale:
            path.write_text(wanted[path])
    if stale:
        word = "is not what the tests say" if "--check" in arguments else "written"
        print(f"{', '.join(str(path.relative_to(ROOT)) for path in stale)}: {word}")
    return int(bool(stale) and "--check" in arguments)


if __name__ == "__main__":
    sys.path.insert(0, str(ROOT))
    sys.exit(main(sys.argv[1:]))
