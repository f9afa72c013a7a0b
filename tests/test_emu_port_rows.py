"""Where a card's registers stand: order with gaps, single ports, mirrors, and mistakes."""
from __future__ import annotations

from typing import Any

import pytest

from emu.backplane.port_rows import port_rows
from emu.errors import InputError
from peripherals.z80_sio import CARD

REGISTERS = CARD.registers  # a-data, a-control, b-data, b-control


def ports(**general: Any) -> dict[str, int]:
    """Give the port of each register."""
    rows, _ = port_rows(CARD, general, {"order": ""}, "m.toml: slot.sio")
    return {REGISTERS[row.register]: row.port for row in rows}


def message(**general: Any) -> str:
    """Give the one line about a mistake."""
    with pytest.raises(InputError) as error:
        ports(**general)
    return str(error.value)


ORDER = ["a-data", "b-data", "a-control", "b-control"]


def test_an_order_counts_from_the_base() -> None:
    assert ports(base=0x20, order=ORDER) == {
        "a-data": 0x20, "b-data": 0x21, "a-control": 0x22, "b-control": 0x23}


def test_a_gap_in_the_order_takes_a_port() -> None:
    order = ["-", "a-data", "-", "-", "a-control"]
    assert ports(base=0x20, order=order) == {"a-data": 0x21, "a-control": 0x24}


def test_a_single_port_wins_over_the_base() -> None:
    found = ports(base=0x20, order=ORDER, ports={"b-data": 0x70})
    assert found == {"a-data": 0x20, "b-data": 0x70, "a-control": 0x22, "b-control": 0x23}


def test_single_ports_need_no_base() -> None:
    assert ports(ports={"a-data": 0, "a-control": 0xFF}) == {"a-data": 0, "a-control": 0xFF}


def test_mirrors_leave_address_lines_out() -> None:
    rows, _ = port_rows(CARD, {"base": 0x2C, "order": ORDER, "mirrors": 0x0C}, {}, "m.toml")
    assert [(row.port, row.mask) for row in rows] == [
        (0x20, 0xF3), (0x22, 0xF3), (0x21, 0xF3), (0x23, 0xF3)]


def test_sixteen_lines() -> None:
    rows, _ = port_rows(CARD, {"base": 0x1220, "order": ORDER, "decode": 16}, {}, "m.toml")
    assert {(row.port, row.mask) for row in rows} == {
        (0x1220 + k, 0xFFFF) for k in range(4)}


@pytest.mark.parametrize(("general", "words"), [
    ({"base": True}, "base takes a whole number from 0 to 255, not True."),
    ({"base": 0x20, "mirrors": False}, "mirrors takes a whole number from 0 to 255, not False."),
    ({"base": 0x20, "waits-io": True}, "waits-io takes a whole number from 0 to 200, not True."),
    ({"base": 0x20, "ports": {"a-data": True}},
     "ports: a-data takes a whole number from 0 to 255, not True."),
    ({"base": 0x20, "decode": True}, "decode takes 8 or 16 (address lines), not True."),
    ({"base": 256}, "base takes a whole number from 0 to 255, not 256."),
    ({"base": -1}, "base takes a whole number from 0 to 255, not -1."),
    ({"base": 0x20, "waits-mem": 201}, "waits-mem takes a whole number from 0 to 200, not 201."),
    ({"base": 2.0}, "base takes a whole number from 0 to 255, not 2.0."),
    ({"base": 0xFE, "order": ORDER},
     "register a-control would stand at port 100h, beyond FFh; lower the base."),
    ({"base": 0x20, "order": "a-data"}, "order takes a list of registers, not 'a-data'."),
    ({"ports": [1]}, "ports takes a table such as { latch = 0x58 }."),
    ({}, "the card z80-sio has registers but no port; give it a base."),
])
def test_one_clear_line(general: dict[str, Any], words: str) -> None:
    assert message(**general) == f"m.toml: slot.sio: {words}"


def test_the_highest_port_is_allowed() -> None:
    assert ports(base=0xFC, order=ORDER)["b-control"] == 0xFF
    _, waits = port_rows(CARD, {"base": 0, "waits-io": 200, "waits-m1": 3}, {"order": ""}, "m")
    assert waits == {"waits-io": 200, "waits-mem": 0, "waits-m1": 3}
