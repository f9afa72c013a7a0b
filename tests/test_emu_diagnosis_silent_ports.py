"""Which silent port a timer is meant for: each piece of evidence alone decides."""
from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from emu.diagnosis.evidence import silent_ports as under_test

HANDLER, VECTOR, PAGE = 0x1234, 0x16, 0x40
POINTED = 10_000  # T-state when the handler's address came into the table


def case(writes: list[tuple[int, int, int]], served: tuple[int, ...] = (),
         totals: dict[int, int] | None = None) -> Any:
    """Make the part of a case that is looked at; ``writes``: T-state, port, byte."""
    port_writes = np.zeros(256, np.int64)
    for _, port, _ in writes:
        port_writes[port & 0xFF] += 1
    for port, total in (totals or {}).items():
        port_writes[port] = total
    rows = np.zeros((len(writes) + 3, 4), np.int64)  # the rows behind the count hold no write
    for k, (t, port, byte) in enumerate(writes):
        rows[k] = t, 0x100 + k, port, byte
    m = SimpleNamespace(empty_port_writes=rows, empty_port_write_count=len(writes),
                        port_writes=port_writes)
    return SimpleNamespace(m=m, session=None, profile=lambda handler: SimpleNamespace(
        ports=[(port, True) for port in served]))


@pytest.fixture
def _pointed(monkeypatch: pytest.MonkeyPatch) -> None:
    def last_write(_: Any, address: int) -> Any:
        assert address == PAGE << 8 | VECTOR
        return SimpleNamespace(t=POINTED)

    monkeypatch.setattr(under_test, "last_write", last_write)


def ranked(made: Any, vector: int | None = VECTOR) -> list[int]:
    """Give the ports, the likeliest first."""
    return [silent.port for silent in under_test.timer_ports(made, HANDLER, vector, PAGE)]


# Every row but for one thing alike: the second port has it.
ALIKE = [(9_000, 0x70, 1), (9_000, 0x90, 1)]


@pytest.mark.usefixtures("_pointed")
def test_alike_they_stand_in_the_order_of_time() -> None:
    assert ranked(case(ALIKE)) == [0x70, 0x90]


@pytest.mark.usefixtures("_pointed")
@pytest.mark.parametrize(("made", "why"), [
    (case(ALIKE, served=(0x90,)), "the handler goes there"),
    (case([(9_000, 0x70, 1), (9_000, 0x90, VECTOR)]), "the vector was written there"),
    (case([(9_000, 0x70, 1), (9_000, 0x90, VECTOR & 0xF8)]), "the vector's base was"),
    (case([(9_000, 0x70, 1), (9_000, 0x70, 1), (9_000, 0x90, 1), (9_000, 0x90, 2)]),
     "it got several bytes"),
    (case([(9_000, 0x70, 1), (11_000 - 1, 0x90, 1)]), "written nearer to the moment"),
    (case(ALIKE, totals={0x70: 500, 0x90: 2}), "not written on and on"),
])
def test_one_thing_decides(made: Any, why: str) -> None:
    assert ranked(made) == [0x90, 0x70], why


@pytest.mark.usefixtures("_pointed")
def test_the_stronger_thing_decides() -> None:
    """In the order: the handler, the vector, several bytes, the moment, the count."""
    handler, vector, several, near, few = 0x10, 0x11, 0x12, 0x13, 0x14
    writes = [(0, few, 1), (POINTED, near, 1), (0, several, 1), (0, several, 2),
              (0, vector, VECTOR), (0, handler, 1)]
    made = case(writes, served=(handler,),
                totals={few: 1, near: 99, several: 99, vector: 99, handler: 99})
    assert ranked(made) == [handler, vector, several, near, few]


def test_without_a_vector_nothing_is_asked_about_a_table() -> None:
    made = case([(9_000, 0x70, 1), (9_000, 0x90, 1), (9_000, 0x90, 3)])
    assert ranked(made, None) == [0x90, 0x70]


def test_a_write_counts_by_its_low_address_lines_and_keeps_its_order() -> None:
    found = under_test.silent_ports(case([(5, 0x1290, 7), (6, 0x70, 8), (7, 0x90, 9)]))
    assert [(s.port, [(t, byte) for t, _, byte in s.writes], s.total) for s in found] == [
        (0x90, [(5, 7), (7, 9)], 2), (0x70, [(6, 8)], 1)]
