"""The table of docs/reliability.md."""

from __future__ import annotations

import re
from collections.abc import Mapping

from fuzzing.case import Family
from fuzzing.ledger import Figures, Ledger

PLACE = re.compile(r"(<!-- table fuzz -->\n).*?(<!-- end -->)", re.S)
HEAD = (
    "| family | what is varied | inputs | taken | refused in one line | broke something | "
    "of them mended | slowest, s | memory, MiB |",
    "|---|---|--:|--:|--:|--:|--:|--:|--:|",
)


def lines(ledger: Ledger, families: Mapping[str, Family]) -> list[str]:
    """Make the table, a row a family, the sum last."""
    rows = [*HEAD]
    total = Figures()
    kinds = mended = 0
    for name, family in families.items():
        one = ledger.families.get(name)
        if one is None or not one.next:
            continue
        well = sum(f.mended for f in one.found)
        rows.append(
            f"| {name} | {family.what} | {one.next:,} | {one.accepted:,} | "
            f"{one.refused:,} | {len(one.found)} | {well} | {one.slowest:.1f} | "
            f"{one.peak} |"
        )
        total.next += one.next
        total.accepted += one.accepted
        total.refused += one.refused
        kinds, mended = kinds + len(one.found), mended + well
        total.slowest, total.peak = max(total.slowest, one.slowest), max(total.peak, one.peak)
    rows.append(
        f"| **all** | | **{total.next:,}** | {total.accepted:,} | {total.refused:,} | "
        f"{kinds} | {mended} | {total.slowest:.1f} | {total.peak} |"
    )
    return rows


def filled(page: str, ledger: Ledger, families: Mapping[str, Family]) -> str:
    """Put the table into the page."""
    not_alone = sum(one.not_alone for one in ledger.families.values())
    text = "\n".join(lines(ledger, families)) + f"\n\nSeed {ledger.seed}; {not_alone} "
    text += "broke something only behind others in one process, and not alone.\n"
    return PLACE.sub(lambda found: found[1] + text + found[2], page)
