"""The interrupt chain without a CPU: what one RETI ends, what two answers give, the NMI edge."""
from __future__ import annotations

from dataclasses import replace

import pytest
from card_bench import Bench
from cpu_cards import CHAINED, PLAIN

from emu.bus.chain import OPEN, RESTART, fall_nmi
from emu.bus.state import CONFLICT, FAR

ASKER = replace(CHAINED, memory_size=lambda _: 0, power_on=lambda _: None)  # no window


def chained(count: int, order: list[int] | None = None) -> Bench:
    """Set up cards that ask on command, in slots 0 and on."""
    bench = Bench(ASKER, also=[(ASKER, {})] * (count - 1), chain=order, hz="6.144 MHz")
    for slot, state in enumerate(bench.states):
        state.supply[0] = 0xF8 - 0x28 * slot
    return bench


def ask(bench: Bench, *slots: int) -> None:
    """Let cards ask in their highest source."""
    for slot in slots:
        bench.m.ip[slot] |= 1
    bench.m.irq_dirty = 1
    bench.advance(bench.t + 1)


def served(bench: Bench) -> list[int]:
    """Give what each card has under service."""
    return bench.m.ius[:len(bench.cards)].tolist()


def test_one_reti_ends_the_service_of_one_card() -> None:
    """UM0081, return from interrupt: only the card with IEI high and IEO low takes it."""
    bench = chained(3)
    for slot in (2, 1, 0):  # each higher one interrupts the one below
        ask(bench, slot)
        assert bench.ack() == 0xF8 - 0x28 * slot
        bench.m.ip[slot] = 0
    assert served(bench) == [1, 1, 1]
    for left in ([0, 1, 1], [0, 0, 1], [0, 0, 0]):
        bench.reti()
        assert served(bench) == left
    assert bench.m.reti_count[:3].tolist() == [1, 1, 1]


def test_one_reti_ends_the_highest_service_inside_a_card() -> None:
    bench = chained(1)
    bench.m.ius[0] = 0b110
    bench.reti()
    assert served(bench) == [0b100]


@pytest.mark.parametrize(("link", "left"), [(OPEN, [0, 1]), (RESTART, [0, 0])])
def test_behind_a_broken_link_reti_ends_what_its_iei_lets_through(link: int,
                                                                  left: list[int]) -> None:
    bench = chained(2, [0, link, 1])
    bench.m.ius[:2] = 1
    bench.reti()
    assert served(bench) == left


def test_a_card_below_one_under_service_neither_asks_nor_answers() -> None:
    """UM0081, daisy chain: IEO is low while the card above is under service."""
    bench = chained(2)
    ask(bench, 0)
    bench.ack()
    bench.m.ip[0] = 0
    ask(bench, 1)
    assert bench.int_line == 0
    assert bench.ack() == -1
    bench.reti()
    assert bench.int_line == 1
    assert bench.ack() == 0xD0


def test_two_cards_that_answer_pull_the_vector_low_together() -> None:
    """Two outputs on one line, the low level wins (common practice, no source)."""
    bench = chained(2, [0, RESTART, 1])
    ask(bench, 0, 1)
    bench.advance(100)
    assert bench.ack() == 0xF8 & 0xD0
    assert int(bench.m.bus_driver) == CONFLICT
    assert (int(bench.m.ack_conflicts), int(bench.m.ack_conflict_t)) == (1, 100)
    assert served(bench) == [1, 1]
    bench.m.ius[:2] = 0
    ask(bench, 0, 1)
    bench.advance(200)
    assert bench.ack() == 0xF8 & 0xD0
    assert (int(bench.m.ack_conflicts), int(bench.m.ack_conflict_t)) == (2, 100)


def test_nobody_answers_where_nobody_asks() -> None:
    bench = chained(2)
    assert bench.ack() == -1
    assert int(bench.m.bus_driver) == 0


def test_a_second_nmi_edge_before_the_answer_changes_nothing() -> None:
    """UM0080 p.18: an edge sets a latch, which the answer clears."""
    m = chained(1).m
    m.next_event = FAR
    fall_nmi(m, 10)
    assert (int(m.nmi_latch), int(m.nmi_t), int(m.next_event)) == (1, 10, 0)
    fall_nmi(m, 20)
    assert (int(m.nmi_latch), int(m.nmi_t)) == (1, 10)
    m.nmi_latch = 0
    fall_nmi(m, 30)
    assert (int(m.nmi_latch), int(m.nmi_t)) == (1, 30)


def test_a_card_outside_the_chain_has_iei_high_and_ieo_low_while_it_asks() -> None:
    bench = chained(2, [])
    bench.m.irq_dirty = 1
    bench.advance(1)
    assert (bench.m.iei[:2].tolist(), bench.m.ieo[:2].tolist()) == ([1, 1], [1, 1])
    ask(bench, 1)
    assert (bench.m.iei[:2].tolist(), bench.m.ieo[:2].tolist()) == ([1, 1], [1, 0])
    assert bench.ack() == 0xD0
    assert (served(bench), bench.m.int_count[:2].tolist()) == ([0, 1], [0, 1])
    bench.m.ip[1] = 0
    bench.m.irq_dirty = 1
    bench.advance(bench.t + 1)
    assert (bench.m.ieo[1], bench.int_line) == (0, 0)
    bench.reti()
    assert (served(bench), int(bench.m.ieo[1])) == ([0, 0], 1)


def test_a_plain_card_pulls_the_line_and_answers_nothing() -> None:
    bench = Bench(replace(PLAIN, memory_size=lambda _: 0, power_on=lambda _: None),
                  hz="6.144 MHz")
    ask(bench, 0)
    assert (bench.int_line, bench.ack(), served(bench)) == (1, -1, [0])
    bench.m.ip[0] = 0
    bench.m.irq_dirty = 1
    bench.advance(bench.t + 1)
    assert bench.int_line == 0


def test_a_request_is_as_old_as_the_lines_fall() -> None:
    bench = chained(2)
    bench.advance(49)
    ask(bench, 1)
    assert int(bench.m.int_since) == 50
    ask(bench, 0)
    assert int(bench.m.int_since) == 50
