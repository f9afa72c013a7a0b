"""The facts as one picture: the slots in their row, the ports, the address space, the chain."""
from __future__ import annotations

from html import escape
from textwrap import wrap

from emu.card.number_words import counted, time_words
from emu.card.rate_ways import hertz_words
from emu.card.roles import ROM_AREA, WINDOW
from emu.layout.facts import Layout
from emu.layout.tables import area_seen, chain_words, pages_seen, shown_ports
from emu.layout.touched import Touched

WIDTH, MARGIN = 960, 20  # pixels
LINE = 16  # pixels from one line of text to the next
LETTERS = 140  # of a line, at most
CELL = 22  # pixels of one port
SPACE = 352  # pixels of the address space
# Colours by slot that tell themselves apart (from memory: a palette for colour-blind readers).
COLOURS = ("#0072b2", "#e69f00", "#009e73", "#cc79a7", "#56b4e9", "#d55e00", "#f0e442", "#999999")
STYLE = ("text{font:12px sans-serif;fill:#222}.title{font-size:18px}.head{font-weight:bold}"
         ".small{font-size:10px}rect{stroke:#444;stroke-width:.5}.free{fill:#fff}"
         ".clash{stroke:#c00;stroke-width:3}.window{fill-opacity:.35}.rom{fill-opacity:.8}"
         ".seen{fill:#000}.nobody{fill:#c00}")


def as_svg(layout: Layout, run: Touched | None = None) -> str:
    """Draw the page; with a ``run``, the ports and memory that it touched are marked."""
    colours = {slot.slot: COLOURS[k % len(COLOURS)] for k, slot in enumerate(layout.slots)}
    top = MARGIN + 3 * LINE
    body = [_text(MARGIN, MARGIN + 10, layout.name, "title"),
            _text(MARGIN, MARGIN + 10 + LINE, f"{layout.file}, CPU clock "
                  f"{hertz_words(layout.cpu_hz)}")]
    slots, top = _slots(layout, colours, top)
    body += slots
    body += _space(layout, run, colours, MARGIN, top + LINE)
    body += _grid(layout, run, colours, WIDTH - MARGIN - 16 * CELL, top + LINE)
    notes, end = _notes(layout, run, top + SPACE + 4 * LINE)
    body += notes
    return "\n".join([
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {end}" role="img" '
        f'aria-label="{escape(layout.name)}">', f"<style>{STYLE}</style>",
        f'<rect class="free" width="{WIDTH}" height="{end}"/>', *body, "</svg>"]) + "\n"


def _text(x: int, y: int, words: str, style: str = "", most: int = LETTERS) -> str:
    shown = words if len(words) <= most else words[:most - 3] + "..."
    name = f' class="{style}"' if style else ""
    return f'<text x="{x}" y="{y}"{name}>{escape(shown)}</text>'


def _rect(x: int, y: int, width: int, height: int, fill: str, style: str = "") -> str:
    name = f' class="{style}"' if style else ""
    return f'<rect x="{x}" y="{y}" width="{width}" height="{height}" fill="{fill}"{name}/>'


def _slots(layout: Layout, colours: dict[str, str], top: int) -> tuple[list[str], int]:
    """List the slots with their jumpers; give where the list ends."""
    out = [_text(MARGIN, top, "Slots", "head")]
    for number, slot in enumerate(layout.slots):
        top += LINE
        jumpers = "; ".join(f"{name} {value}" for name, value in slot.jumpers.items())
        first, *more = wrap(f"{number}  {slot.slot}: {slot.card}"
                            + (f" ({jumpers})" if jumpers else ""), LETTERS)
        out += [_rect(MARGIN, top - 10, 12, 12, colours[slot.slot]),
                _text(MARGIN + 20, top, first)]
        for line in more:
            top += LINE
            out.append(_text(MARGIN + 40, top, line))
    return out, top + LINE


def _space(layout: Layout, run: Touched | None, colours: dict[str, str], x: int,
           top: int) -> list[str]:
    """Draw the 64 KiB, address 0 at the top; areas that share addresses stand side by side."""
    out = [_text(x, top - 4, "Memory", "head")]
    columns: list[int] = []  # the address at which each column is free again
    for area in layout.areas:
        at = next((k for k, free in enumerate(columns) if free <= area.start), len(columns))
        columns[at:at + 1] = [area.end + 1]
        y, height = area.start * SPACE >> 16, (area.end + 1 - area.start) * SPACE >> 16
        style = {WINDOW: "window", ROM_AREA: "rom"}.get(area.what, "")
        left = x + 50 + at * 180
        out.append(_rect(left, top + y, 170, max(height, 1), colours[area.slot], style))
        if height >= 12:
            register = "" if area.port is None else f" {area.register} {area.port:02X}h"
            seen = "" if run is None else area_seen(layout, area, run)
            out.append(_text(left + 4, top + y + 11, f"{area.slot} {area.what}{register}"
                             + (f": {seen}" if seen else ""), "small", 32))
    edges = sorted({a.start for a in layout.areas} | {a.end + 1 for a in layout.areas})
    free = -LINE
    for edge in edges:
        y = edge * SPACE >> 16
        if y - free >= 10:
            out.append(_text(x, top + y + 10, f"{edge:04X}h", "small"))
            free = y
    return out


def _grid(layout: Layout, run: Touched | None, colours: dict[str, str], x: int,
          top: int) -> list[str]:
    """Draw the 256 ports, a row of sixteen a line; mirrors are pale, clashes have a red edge, what
    a run touched a dot."""
    touched = "; dot: touched" if run is not None else ""
    out = [_text(x, top - 4, f"Ports (pale: mirrors; red: clashes{touched})", "head")]
    owners: dict[int, list[tuple[str, bool]]] = {}
    for port in layout.ports:
        for low in dict.fromkeys(one & 0xFF for one in (port.port, *port.mirrors)):
            owners.setdefault(low, []).append((port.slot, low != port.port & 0xFF))
    clashing = {one & 0xFF for port in layout.ports if port.clashes
                for one in (port.port, *port.mirrors)}
    for low in range(256):
        left, y = x + low % 16 * CELL, top + low // 16 * CELL
        slot, pale = owners.get(low, [("", False)])[0]
        style = "clash" if low in clashing else "window" if pale else "" if slot else "free"
        out.append(_rect(left, y, CELL - 2, CELL - 2, colours.get(slot, "#fff"), style))
        if slot and not pale:
            out.append(_text(left + 4, y + 14, f"{low:02X}", "small"))
        if run is not None and low in run.ports:
            out.append(_dot(left + CELL - 6, y + 4, slot, low, run))
    return out


def _dot(x: int, y: int, slot: str, low: int, run: Touched) -> str:
    """Mark a port that was touched; its title has the counts, red where no card stands."""
    reads, writes = run.ports[low]
    told = f"{low:02X}h: {counted(reads, 'read')}, {counted(writes, 'write')}"
    style = "seen" if slot else "nobody"
    return f'<circle cx="{x}" cy="{y}" r="3" class="{style}"><title>{told}</title></circle>'


def _notes(layout: Layout, run: Touched | None, top: int) -> tuple[list[str], int]:
    """Write chain, vectors, rates, wires and findings; give the picture's height."""
    lines = [] if run is None else _run_notes(layout, run)
    lines += [f"Interrupts: {chain_words(layout)}"]
    lines += [f"{one.slot}: vector written to {shown_ports(one.vector_at, 8)}"
              for one in layout.interrupts if one.vector_at]
    lines += [f"{c.slot} {c.what}: {c.want + ' wanted, ' if c.want else ''}{c.reached} ({c.how})"
              for c in layout.clocks]
    lines += [f"Wire: {source} > {target}" for source, target in layout.wires]
    lines += [f"{p.slot} pages {p.first:02X}h-{p.last:02X}h: {p.what}, {p.size} bytes each"
              for p in layout.pages]
    lines += [f"{finding.level}: {finding.text}" for finding in layout.findings]
    lines = [part for line in lines for part in wrap(line, LETTERS, subsequent_indent="    ")]
    return ([_text(MARGIN, top + k * LINE, line) for k, line in enumerate(lines)],
            top + len(lines) * LINE + MARGIN)


def _run_notes(layout: Layout, run: Touched) -> list[str]:
    """Tell what a run touched besides what is marked in the picture."""
    nobody = {low: counts for low, counts in run.ports.items()
              if not any(low == one & 0xFF for p in layout.ports for one in (p.port, *p.mirrors))}
    return [f"Touched by a run of {time_words(run.seconds, 4)} (x executed, r read, w written):",
            *(f"{pages.slot} pages of {pages.what}: {seen}"
              for pages, seen in pages_seen(layout, run)),
            *(f"port {low:02X}h, where no card stands: {counted(reads, 'read')}, "
              f"{counted(writes, 'write')}" for low, (reads, writes) in nobody.items()),
            *(f"interrupts of {slot} accepted: {count}" for slot, count in run.interrupts.items()),
            *([f"vectors read: {', '.join(f'{v:02X}h {n} times' for v, n in run.vectors.items())}"]
              if run.vectors else [])]
