"""Where the time went, as flames: a call stands below its caller, as wide as it took."""
from __future__ import annotations

from html import escape

from emu.report.pictures import LETTER
from emu.usage.profile import Node, Profile

WIDTH, ROW = 1100, 18  # pixels
NARROWEST = 1.0  # pixels of a call that is drawn


def flames(found: Profile, trees: list[Node], title: str) -> str:
    """Draw trees of calls; idling in HALT is left out, so that the rest can be seen."""
    whole = sum(_busy(tree) for tree in trees)
    if not whole:
        return ""
    boxes: list[str] = []
    deepest = _draw(found, trees, 0.0, 0, WIDTH / whole, boxes)
    return (f"<h2>{escape(title)}: {found.words(whole)}</h2>"
            f'<svg viewBox="0 0 {WIDTH} {ROW * (deepest + 1)}" role="img" '
            f'aria-label="{escape(title)}, time by call">{"".join(boxes)}</svg>')


def _busy(node: Node) -> int:
    return node.own + sum(_busy(child) for child in node.children)


def _draw(found: Profile, nodes: list[Node], x: float, row: int, scale: float,
          boxes: list[str]) -> int:
    """Draw nodes side by side from x on, and what they called below; the deepest row used."""
    deepest = row
    for node in sorted(nodes, key=_busy, reverse=True):
        width = _busy(node) * scale
        if width < NARROWEST:
            break
        boxes.append(_box(found, node, x, row, width))
        if node.children:
            deepest = max(deepest, _draw(found, node.children, x, row + 1, scale, boxes))
        x += width
    return deepest


def _box(found: Profile, node: Node, x: float, row: int, width: float) -> str:
    name, t = node.function.name, _busy(node)
    room = int(width / LETTER) - 1
    shown = name if len(name) <= room else name[:room]
    calls = f", {node.calls} calls" if node.calls != 1 else ", 1 call"
    words = f"{name}: {found.words(t)}, own {found.words(node.own)}{calls}"
    return (f'<g><title>{escape(words)}</title><rect x="{x:.1f}" y="{row * ROW}" '
            f'width="{max(width - 0.5, 0.5):.1f}" height="{ROW - 1}" class="flame"/>'
            f'<text x="{x + 3:.1f}" y="{row * ROW + 13}">{escape(shown)}</text></g>')
