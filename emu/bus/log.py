"""Write the bus log: a ring of two words a bus cycle, see emu/logs/cycles.py."""
from __future__ import annotations

from emu.bus.state import LOG, LOG_FULL
from emu.bus.stops import leave
from emu.native.jit import inlined


@inlined
def log_word(m, start, word):
    """Write an entry whose second word is packed already."""
    at = (m.log_pos & (LOG - 1)) * 2
    m.log[at] = start
    m.log[at + 1] = word
    m.log_pos += 1


@inlined
def log_entry(m, start, kind, address, data, waits, driver):
    """Write one bus cycle to the ring: two words, see emu/logs/cycles.py."""
    log_word(m, start, address | data << 16 | kind << 24 | waits << 28 | driver << 36
             | (m.refresh_high | m.refresh & 0x7F) << 44)


@inlined
def log_cycle(m, start, kind, address, data, waits, driver):
    """Write one bus cycle to the ring, and leave run() when it is full."""
    log_entry(m, start, kind, address, data, waits, driver)
    if m.log_pos >= m.log_limit:
        leave(m, LOG_FULL)
