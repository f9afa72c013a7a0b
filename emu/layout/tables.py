"""The facts as titled tables of text, and these as plain text or Markdown."""
from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby

from emu.card.number_words import time_words
from emu.card.rate_ways import hertz_words
from emu.card.roles import RAM_AREA, ROM_AREA
from emu.layout.facts import AreaFact, Layout, PagesFact, PortFact
from emu.layout.touched import Touched, letters

NO_PORT = "no port leads there"
STRETCHES = 16  # of ports or pages that a cell names


@dataclass(frozen=True)
class Table:
    """A titled table; ``words`` stand in its place when it has no rows."""

    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    words: str = ""


def tables(layout: Layout, run: Touched | None = None) -> list[Table]:
    """Write the facts as tables, with what a run touched in columns of their own."""
    found = [_slots(layout, run), _ports(layout, run), _memory(layout, run), _pages(layout, run),
             _clocks(layout), _wires(layout), _interrupts(layout, run)]
    if run is not None:
        found += [_other_ports(layout, run), _vectors(run)]
    findings = tuple((f.level, f.text) for f in layout.findings)
    return [*found, Table("Wiring check", ("level", "finding"), findings, "nothing to object to")]


def heading(layout: Layout, run: Touched | None = None) -> list[str]:
    """Write what stands above the tables."""
    floating = {"pull-ups": "an undriven data bus reads FFh (pull-ups)",
                "last-byte": "an undriven data bus keeps its last byte"}[layout.floating]
    out = [f"{layout.file}: CPU clock {hertz_words(layout.cpu_hz)}; {floating}."]
    if run is not None:
        out.append(f"Beside it what a run of {time_words(run.seconds, 4)} touched: x executed, "
                   "r read, w written.")
    return out


def _slots(layout: Layout, run: Touched | None) -> Table:
    rows = []
    for number, slot in enumerate(layout.slots):
        set_up = [f"{name} {value}" for name, value in slot.jumpers.items()]
        set_up += [f"{name} {states}" for name, states in slot.waits.items()]
        asked = [] if run is None else [str(run.interrupts.get(slot.slot, ""))]
        rows.append((str(number), slot.slot, slot.card, "; ".join(set_up) or "as usual", *asked))
    more = () if run is None else ("interrupts",)
    return Table("Slots and jumpers", ("slot", "name", "card", "jumpers", *more), tuple(rows))


def shown_ports(ports: Iterable[int], width: int) -> str:
    """Write ports as "28h, 68h", stretches as "28h-2Bh"."""
    digits = 4 if width == 16 else 2
    found = sorted(ports)
    out: list[str] = []
    for _, group in groupby(enumerate(found), key=lambda pair: pair[1] - pair[0]):
        stretch = [port for _, port in group]
        first, last = f"{stretch[0]:0{digits}X}h", f"{stretch[-1]:0{digits}X}h"
        out.append(first if len(stretch) == 1 else f"{first}-{last}")
    more = [f"and {len(out) - STRETCHES} stretches more"] if len(out) > STRETCHES else []
    return ", ".join(out[:STRETCHES] + more)


def _ports(layout: Layout, run: Touched | None) -> Table:
    rows = []
    for port in layout.ports:
        seen = [] if run is None else list(_seen(port, run))
        rows.append((shown_ports([port.port], port.width), port.slot, port.register,
                     ", ".join(port.kinds), shown_ports(port.mirrors, port.width),
                     ", ".join(port.clashes), *seen))
    more = () if run is None else ("reads", "writes")
    return Table("Ports", ("port", "slot", "register", "is", "also at", "clashes with", *more),
                 tuple(rows), "no card has a port")


def _seen(port: PortFact, run: Touched) -> tuple[str, str]:
    counts = [run.ports.get(low, (0, 0)) for low in
              dict.fromkeys(one & 0xFF for one in (port.port, *port.mirrors))]
    return tuple(str(sum(c) or "") for c in zip(*counts, strict=True))  # type: ignore[return-value]


def _other_ports(layout: Layout, run: Touched) -> Table:
    known = {one & 0xFF for port in layout.ports for one in (port.port, *port.mirrors)}
    rows = tuple((f"{port:02X}h", str(reads or ""), str(writes or ""))
                 for port, (reads, writes) in run.ports.items() if port not in known)
    return Table("Ports touched where no card stands", ("port", "reads", "writes"), rows, "none")


def _vectors(run: Touched) -> Table:
    return Table("Vectors read in mode 2", ("vector", "times"),
                 tuple((f"{v:02X}h", str(n)) for v, n in run.vectors.items()), "none")


def _switch(area: AreaFact) -> str:
    if not area.register:
        return ""
    return f"{area.register}, " + (NO_PORT if area.port is None else f"port {area.port:02X}h")


def _memory(layout: Layout, run: Touched | None) -> Table:
    rows = []
    for area in layout.areas:
        seen = [] if run is None else [area_seen(layout, area, run)]
        rows.append((f"{area.start:04X}h-{area.end:04X}h", area.slot, area.what, _switch(area),
                     area.words, *seen))
    more = () if run is None else ("touched",)
    return Table("Memory as the CPU sees it",
                 ("addresses", "slot", "what", "switched by", "remark", *more), tuple(rows),
                 "no card says where its memory answers")


def area_seen(layout: Layout, area: AreaFact, run: Touched) -> str:
    """Say what was touched of an area without pages, whose card has its memory in this order."""
    if any(pages.slot == area.slot for pages in layout.pages):
        return ""  # told page by page
    mine = [a for a in layout.areas if a.slot == area.slot]
    roms = sum(a.end + 1 - a.start for a in mine if a.what == ROM_AREA)
    first = min(a.start for a in mine if a.what == area.what)
    start = area.start - first + (roms if area.what == RAM_AREA else 0)
    return letters(run.flags(area.slot, start, area.end + 1 - area.start))


def _pages(layout: Layout, run: Touched | None) -> Table:
    rows: list[tuple[str, ...]] = []
    touched = [] if run is None else [[seen] for _, seen in pages_seen(layout, run)]
    for number, pages in enumerate(layout.pages):
        held = shown_ports(pages.holds, 8)
        count = pages.last + 1 - pages.first
        seen = touched[number] if touched else []
        rows.append((f"{pages.first:02X}h-{pages.last:02X}h", pages.slot, pages.what,
                     f"{pages.size}", f"{count * pages.size >> 10} KiB", held, *seen))
    more = () if run is None else ("touched",)
    return Table("Pages", ("pages", "slot", "what", "bytes a page", "in all", "image fills", *more),
                 tuple(rows), "no card has pages")


def pages_seen(layout: Layout, run: Touched) -> list[tuple[PagesFact, str]]:
    """Say of each kind of pages which were touched, in stretches of the same use."""
    out = []
    at: dict[str, int] = {}  # where the slot's next pages begin in its memory
    for pages in layout.pages:
        place = at.get(pages.slot, 0)
        at[pages.slot] = place + (pages.last + 1 - pages.first) * pages.size
        out.append((pages, _stretches(pages, place, run)))
    return out


def _stretches(pages: PagesFact, place: int, run: Touched) -> str:
    used = [(n, run.flags(pages.slot, place + (n - pages.first) * pages.size, pages.size))
            for n in range(pages.first, pages.last + 1)]
    out = []
    for flags, group in groupby(used, key=lambda one: one[1]):
        if flags:
            out.append(f"{shown_ports([n for n, _ in group], 8)} {letters(flags)}")
    return "; ".join(out) or "-"


def _clocks(layout: Layout) -> Table:
    rows = tuple((c.slot, c.what, c.want, c.reached, c.how) for c in layout.clocks)
    return Table("Clocks and rates", ("slot", "what", "wanted", "is", "from"), rows)


def _wires(layout: Layout) -> Table:
    return Table("Wires", ("from", "to"), tuple(layout.wires), "no wires between cards")


def chain_words(layout: Layout) -> str:
    """Write the chain in order, an empty slot without its jumper as "(open)"."""
    if layout.chain is None:
        return "no chain: every IEI is high"
    links = ["(open)" if name == "open" else name for name in layout.chain]
    return " > ".join(["CPU", *links]) + (", with look-ahead" if layout.look_ahead else "")


def _interrupts(layout: Layout, run: Touched | None) -> Table:
    rows = []
    for one in layout.interrupts:
        seen = [] if run is None else [str(run.interrupts.get(one.slot, ""))]
        rows.append((str(one.place or "-"), one.slot, one.gives,
                     shown_ports(one.vector_at, 8), *seen))
    more = () if run is None else ("accepted",)
    return Table(f"Interrupts: {chain_words(layout)}",
                 ("in the chain", "slot", "gives", "vector written to", *more), tuple(rows),
                 "no card interrupts")



def as_text(layout: Layout, run: Touched | None = None) -> str:
    """Write the page as plain text, columns one below another."""
    lines = [layout.name, *heading(layout, run)]
    for table in tables(layout, run):
        lines += ["", table.title]
        lines += [f"  {row}" for row in aligned([table.columns, *table.rows])] if table.rows else [
            f"  {table.words}"]
    return "\n".join(lines) + "\n"


def aligned(rows: Sequence[Sequence[str]]) -> list[str]:
    """Pad columns to one width each; a column that is empty below its heading is left out."""
    kept = [k for k in range(len(rows[0])) if any(row[k] for row in rows[1:])]
    widths = [max(len(row[k]) for row in rows) for k in kept]
    return ["  ".join(f"{row[k]:{width}}" for k, width in zip(kept, widths, strict=True)).rstrip()
            for row in rows]


def as_markdown(layout: Layout, run: Touched | None = None) -> str:
    """Write the page as Markdown."""
    lines = [f"# {_cell(layout.name)}", "", *map(_cell, heading(layout, run))]
    for table in tables(layout, run):
        lines += ["", f"## {_cell(table.title)}", ""]
        if not table.rows:
            lines.append(f"{table.words.capitalize()}.")
            continue
        kept = [k for k in range(len(table.columns)) if any(row[k] for row in table.rows)]
        for row in (table.columns, ("---",) * len(table.columns), *table.rows):
            lines.append("| " + " | ".join(_cell(row[k]) for k in kept) + " |")
    return "\n".join(lines) + "\n"


def _cell(text: str) -> str:
    """Keep Markdown from reading marks in a cell."""
    for mark in "\\|<*_`":
        text = text.replace(mark, "\\" + mark)
    return " ".join(text.split())
