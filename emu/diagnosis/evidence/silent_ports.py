"""Ports where no card stands: what was written there, and which of them a timer is meant for.

A program that looks for a chip which is not there writes to silent ports too.  What tells
the timer's port: its handler goes to the port as well; the vector was written there; it got
several bytes, as a set-up takes them; that was near the moment when the handler's address
came into the vector table; and nobody went on writing there, as to a chip that is read bit
by bit.
"""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from emu.diagnosis.case import Case
from emu.diagnosis.evidence.run_again import last_write

VECTOR_BITS = (0xFF, 0xF8)  # of the vector in the byte that a card is given: all, or the base


@dataclass(frozen=True)
class SilentPort:
    """The first writes to one port that no card decodes, oldest first."""

    port: int
    writes: tuple[tuple[int, int, int], ...]  # T-state, PC behind the instruction, byte
    total: int  # of the whole run

    def vector(self, vector: int) -> int | None:
        """Give the byte with which a vector was written here, None when none was."""
        wanted = {vector & bits for bits in VECTOR_BITS}
        return next((byte for _, _, byte in self.writes if byte in wanted), None)


def silent_ports(case: Case) -> list[SilentPort]:
    """List the ports of no card that were written to, in the order of time."""
    m = case.m
    rows = np.asarray(m.empty_port_writes)[:int(m.empty_port_write_count)].tolist()
    found: dict[int, list[tuple[int, int, int]]] = {}
    for t, pc, port, value in rows:
        found.setdefault(port & 0xFF, []).append((t, pc, value))
    return [SilentPort(port, tuple(writes), int(m.port_writes[port]))
            for port, writes in found.items()]


def written_words(case: Case, silent: SilentPort) -> str:
    """Say what was written first to a port of no card, and by whom."""
    octets = " ".join(f"{byte:02X}" for _, _, byte in silent.writes[:6])
    who = case.names.at((silent.writes[0][1] - 2) & 0xFFFF)
    return f"Port {silent.port:02X}h, where no card stands, was written {octets} by {who}."


def timer_ports(case: Case, handler: int, vector: int | None, page: int) -> list[SilentPort]:
    """List the silent ports by how much speaks for a timer there that calls a handler.

    ``vector`` is None in mode 1; ``page`` is that of the vector table.
    """
    found = silent_ports(case)
    if len(found) < 2:
        return found
    served = {port for port, _ in case.profile(handler).ports}
    pointed = None if vector is None else last_write(case.session, page << 8 | vector)

    def evidence(silent: SilentPort) -> tuple[bool, bool, bool, int, int]:
        asked = vector is not None and silent.vector(vector) is not None
        several = len({byte for _, _, byte in silent.writes}) > 1
        away = 0 if pointed is None else min(abs(t - pointed.t) for t, _, _ in silent.writes)
        return silent.port not in served, not asked, not several, away, silent.total

    return sorted(found, key=evidence)


def ports_fact(ports: list[SilentPort]) -> dict[str, list[str]]:
    """Give the ports as a finding's fact, the likeliest first; nothing when there is none."""
    return {"ports": [f"{silent.port:02X}" for silent in ports]} if ports else {}
