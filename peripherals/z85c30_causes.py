"""The causes of a hang at a Z85C30-type SCC; z85c30_report.py finds them."""
from __future__ import annotations

from peripherals.card import BUSY, HALTED_OFF, STUCK, WAITS, Cause

SERVICE_LEFT = Cause(
    "scc-service-left", "An SCC whose service never ends",
    "The first character is taken, and none after it; cards behind it in the chain are dumb too.",
    "A service of the chip was still under way when RETI ran, which it does not know; with the "
    "service ended the program goes on.",
    "Write 38h (reset highest IUS) to the chip at the end of each of its handlers.", (),
    when=(WAITS, STUCK, BUSY, HALTED_OFF))
MASTER_OFF = Cause(
    "scc-master-off", "An SCC whose master interrupt enable is off",
    "Characters come, and no handler is ever called.",
    "WR1 lets a channel ask, and bit 3 of WR9 (MIE) is 0; with it set, and a character received in "
    "a copy, the program goes on.",
    "Write 09h, then 09h (MIE and status in the vector) to the chip, after its reset.", (),
    when=(STUCK, BUSY, HALTED_OFF))
NO_CLOCK = Cause(
    "scc-no-clock", "An SCC channel whose clock source does not run",
    "Nothing is sent, though the channel is set up.",
    "WR11 names a source that gives no clock: the baud rate generator is off, or the pin has none; "
    "with a clock the program goes on.",
    "Write 50h to WR11 for the generator, the time constant to WR12 and WR13, then 03h to WR14.",
    (),
    when=(STUCK, BUSY))

CAUSES = (SERVICE_LEFT, MASTER_OFF, NO_CLOCK)
