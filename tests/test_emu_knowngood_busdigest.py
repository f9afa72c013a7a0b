"""The digest of the bus: held against a twin in plain Python, however the log is drained."""
from __future__ import annotations

import numpy as np
import pytest
from knowngood_bench import full

from emu.bus.state import FETCH, HALTED, IN, LOG, OUT, new_record
from emu.knowngood import busdigest
from emu.knowngood.busdigest import BASES, FACTORS, INTERVAL, ROWS, P
from emu.knowngood.metered import MeteredMachine
from emu.logs.cycles import Cycles, read_ring
from emu.machine.machine import Machine


def twin(cycles: Cycles) -> list[tuple[int, int, int, int]]:
    """Digest with Python's whole numbers: (cycles, T, a, b) after each cycle."""
    lanes, rows = [0, 0], []
    for number, row in enumerate(cycles.tolist(), 1):
        t, address, refresh, data, kind, waits, _ = row
        parts = (t % 2**31, t // 2**31, address + 2**16 * data + 2**24 * kind,
                 waits * 2**16 + refresh)
        for k in range(2):
            x = sum(part * factor for part, factor in zip(parts, FACTORS[k], strict=True))
            lanes[k] = (lanes[k] * BASES[k] + x) % (2**31 - 1)
        rows.append((number, t, *lanes))
    return rows


def logged(count: int) -> Cycles:
    """The first bus cycles of Tidewater's boot."""
    machine = Machine(full())
    machine.log(True)
    machine.m.log_limit = count + 64
    machine.run(10**9)
    return read_ring(machine.m, 0, count)


def test_the_digest_is_that_of_the_twin() -> None:
    machine = MeteredMachine(full())
    machine.run(60_000)
    count = int(machine.d.position)
    cycles = logged(count)
    rows = twin(cycles)
    last = rows[-1]
    assert machine.bus_digest() == f"{last[2]:08x}{last[3]:08x}"
    noted = machine.d.row[:int(machine.d.rows)].tolist()
    assert noted == [list(rows[n - 1]) for n in range(INTERVAL, count + 1, INTERVAL)]
    assert len(noted) >= 2
    for kind in (FETCH, IN, OUT, HALTED):
        assert int(machine.d.count[kind]) == int((cycles["kind"] == kind).sum())
    port = cycles[((cycles["kind"] == IN) | (cycles["kind"] == OUT))
                  & (cycles["address"] & 0xFF == 0x52)]
    h = 0
    for row in port:
        h = (h * BASES[0] + int(row["data"]) + 256 * int(row["kind"])) % P
    assert h != 0 and int(machine.d.port[0x52]) % P == h


def test_plain_and_compiled_agree(monkeypatch: pytest.MonkeyPatch) -> None:
    """The same source over the same ring, at T-states beyond 2**31."""
    random = np.random.default_rng(8)
    record = new_record()
    m = record[0]
    count = INTERVAL + 100
    ring = m.log.reshape(LOG, 2)
    ring[:count, 0] = np.cumsum(random.integers(3, 30, count)) + (5 << 40)
    ring[:count, 1] = random.integers(0, 1 << 60, count)
    m.log_pos = count
    plain = np.zeros(1, busdigest.DIGEST).view(np.recarray)
    plain[0].interval = INTERVAL
    assert busdigest.take(m, plain[0], np.int64(count)) == count
    rows = twin(read_ring(m, 0, count))
    a, b = (int(lane) % P for lane in (plain[0].a, plain[0].b))
    assert (a, b) == rows[-1][2:]
    assert plain[0].row[0].tolist() == list(rows[INTERVAL - 1])


@pytest.mark.parametrize("step", [997, 50_000])
def test_slices_do_not_matter(step: int) -> None:
    whole, sliced = MeteredMachine(full()), MeteredMachine(full())
    end = 700_000
    whole.run(end)
    while int(sliced.m.t) < end:
        sliced.run(min(int(sliced.m.t) + step, end))
    assert whole.bus_digest() == sliced.bus_digest()
    assert (whole.d.row == sliced.d.row).all() and int(whole.d.rows) > 20


def test_checkpoints_thin_out() -> None:
    """Property: between half the rows and all of them, at multiples of one interval."""
    machine = MeteredMachine(full())
    machine.run(8_000_000)
    rows = machine.d.row[:int(machine.d.rows)]
    interval = int(machine.d.interval)
    assert interval > INTERVAL and ROWS // 2 <= len(rows) <= ROWS
    assert (rows[:, 0] == np.arange(1, len(rows) + 1) * interval).all()
    fine = MeteredMachine(full())
    fine.fix_interval(INTERVAL)
    fine.run(8_000_000)
    shared = {row[0]: row for row in fine.d.row.tolist()}
    assert int(fine.d.rows) == ROWS and fine.bus_digest() == machine.bus_digest()
    common = [row for row in rows.tolist() if row[0] in shared]
    assert common and all(shared[row[0]] == row for row in common)


def test_digesting_changes_nothing() -> None:
    plain, metered = Machine(full()), MeteredMachine(full())
    end = plain.at(0.2)
    plain.run(end)
    metered.run(end)
    assert int(plain.m.t) == int(metered.m.t)
    assert int(plain.m.instructions) == int(metered.m.instructions)
    assert (plain.snapshot().memory == metered.snapshot().memory).all()


def test_a_mark_counts_its_card_and_opcode() -> None:
    machine = MeteredMachine(full())
    memory = machine.slot("memory").number + 1
    machine.mark(0, memory, 0xF3)  # DI is the first instruction, see roms/tidewater/restarts.s
    machine.mark(0, memory, 0x00)
    machine.mark(0, memory + 1, 0xF3)
    machine.mark(0)
    machine.run(1000)
    assert machine.d.mark[:4, 3].tolist() == [0, -1, -1, 0]


def test_only_a_metered_run_is_digested() -> None:
    machine = MeteredMachine(full())
    machine.run(10_000)
    before = machine.bus_digest(), int(machine.d.position)
    machine.finish()
    machine.run(20_000)
    assert (machine.bus_digest(), int(machine.d.position)) == before
    assert int(machine.m.logging) == 0
