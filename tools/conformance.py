"""Hold the CPU core against published single-step vectors: ``conformance.py PATH...``.

A PATH is a folder of one-file-an-opcode ``*.json``, one such file, or a ``*.json.gz``
that holds several (opcode -> tests).  Every field is compared: registers, MEMPTR, Q,
memory, ports, T-states, and the bus of every T-state.  Exit status 1 on any difference.
"""
from __future__ import annotations

import gzip
import json
import sys
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import click
import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parent.parent))

import conformance_cases as hot

from emu import calls, jit, native
from emu.cpu.run import run as plain_run
from emu.state import FAR, POOL_AT, new_record

PINS = {"r": 1, "w": 2, "m": 4, "i": 8}
FIELDS = ("registers", "wz", "q", "flags 3 and 5", "memory", "ports", "T-states", "bus")
UNITS = ("emu.cpu.run", "conformance_cases")
SPARE_FLAGS = 0x28
_F, _WZ, _Q = (hot.REGISTERS.index(n) for n in ("f", "wz", "q"))


class Bench:
    """A bare machine: 64 KiB of RAM and a card on every port, driven case by case."""

    def __init__(self) -> None:
        self.record = new_record()
        m = self.record[0]
        m.rb_true[:] = np.arange(16) * 4096
        m.wb_true[:] = m.rb_true
        m.owner[:] = 1
        m.ev[:] = FAR
        m.slots = 1
        m.st[0] = POOL_AT
        m.log_limit = FAR
        self.feed = m.pool[:hot.PORT_FEED.itemsize].view(hot.PORT_FEED).view(np.recarray)
        if jit.plain_python():
            m.uid = -1
            calls.PLAIN_TABLE[-1, 0] = (self.feed[0], [None, hot.feed_read] + [None] * 6)
        else:
            loaded = native.load(UNITS)
            m.fn[0, calls.READ] = loaded.addresses["conformance_cases.feed_read"]
            self._prepare = native.callable_root("conformance_cases.prepare", 2)
            self._collect = native.callable_root("conformance_cases.collect", 2)
            self._run = native.callable_root("emu.cpu.run.run", 1)

    def cases(self, count: int) -> np.ndarray:
        """Make ``count`` empty cases."""
        return np.zeros(count, hot.CASE)

    def load(self, cases: np.ndarray, row: int, initial: dict[str, Any],
             inputs: Sequence[int]) -> None:
        """Fill one case from a vector's initial state and the bytes its ports supply."""
        case = cases[row]
        case["before"] = [initial.get(name, 0) for name in hot.REGISTERS]
        ram = initial["ram"]
        case["ram_count"] = len(ram)
        if ram:
            case["ram_at"][:len(ram)], case["ram_before"][:len(ram)] = zip(*ram, strict=True)
        case["feed_count"] = len(inputs)
        case["feed"][:len(inputs)] = inputs

    def run(self, cases: np.ndarray) -> None:
        """Run every case: one instruction each."""
        if jit.plain_python():
            self._run_plain(cases)
            return
        machine = self.record.ctypes.data
        feed = self.feed
        prefix, now = self.record["prefix"], self.record["t"]
        for row in range(len(cases)):
            if cases["feed_count"][row]:
                feed["at"] = 0
                feed["feed"][0] = cases["feed"][row]
            at = cases.ctypes.data + row * cases.itemsize
            self._prepare(machine, at)
            self._run(machine, 1)
            while prefix[0]:  # a run of prefixes is left half-way, so that it can be stopped
                self._run(machine, int(now[0]) + 1)
            self._collect(machine, at)

    def _run_plain(self, cases: np.ndarray) -> None:
        records = cases.view(np.recarray)
        for row in range(len(cases)):
            self.feed["at"] = 0
            self.feed["feed"][0] = cases["feed"][row]
            hot.prepare(self.record[0], records[row])
            plain_run(self.record[0], np.int64(1))
            while self.record["prefix"][0]:
                plain_run(self.record[0], np.int64(self.record["t"][0] + 1))
            hot.collect(self.record[0], records[row])

    def result(self, cases: np.ndarray, row: int) -> dict[str, Any]:
        """Give one case's result in the vectors' form."""
        case = cases[row]
        final = {n: int(v) for n, v in zip(hot.REGISTERS, case["after"], strict=True)}
        count = int(case["ram_count"])
        final["ram"] = [[int(a), int(v)] for a, v in
                        zip(case["ram_at"][:count], case["ram_after"][:count], strict=True)]
        ports = [[int(case["port_at"][k]), int(case["port_byte"][k]),
                  "w" if case["port_out"][k] else "r"] for k in range(int(case["port_count"]))]
        return {"final": final, "cycles": bus_rows(case), "ports": ports}


def bus_rows(case: Any) -> list[list[Any]]:
    """Give a case's bus as the vectors write it: address, byte or None, pins."""
    rows = []
    for t in range(min(int(case["states"]), hot.STATES)):
        pins = int(case["bus_pins"][t])
        data = int(case["bus_data"][t])
        rows.append([int(case["bus_address"][t]), None if data < 0 else data,
                     "".join(c if pins & bit else "-" for c, bit in PINS.items())])
    return rows
