"""By bus cycle and by T-state: names, buses and pins against UM0080's timing charts."""
from __future__ import annotations

from cpu_machine import Bare
from stepper_bench import sit, state

from emu.stepper.cursor import Cursor, Moment
from emu.stepper.stepper import Stepper


def moments(cursor: Cursor, count: int) -> list[Moment]:
    """Go T-state by T-state."""
    out = []
    for _ in range(count):
        out.append(cursor.moment())
        cursor.tick()
    return out


def test_an_input_instruction_t_state_by_t_state() -> None:
    """UM0080 p.8-11: fetch of four, read of three, input with one automatic wait state."""
    found = moments(Cursor(sit("DB 99 00", a=0x12)), 11)
    assert [m.name for m in found] == ["T1", "T2", "T3", "T4", "T1", "T2", "T3",
                                       "T1", "T2", "Tw", "T3"]
    assert [m.kind for m in found] == ["fetch"] * 4 + ["read"] * 3 + ["in"] * 4
    assert [m.address for m in found[4:]] == [0x101] * 3 + [0x1299] * 4
    assert found[1].low == ("/M1", "/MREQ", "/RD") and found[1].data == 0xDB
    assert "/RFSH" in found[2].low and "/M1" not in found[3].low
    assert found[8].low == ("/IORQ", "/RD") and found[7].low == ()
    assert found[10].data == 0xFF and found[10].driver == "nobody"


def test_wait_states_and_internal_ones_have_their_names() -> None:
    """UM0080 p.9 (waits behind T2); LD A,I is a fetch pair of 4 and 5 (p.107)."""
    stepper = Stepper(Bare("7E", hl=0x8000, ram_waits={"mem": 2, "m1": 1}).machine)
    assert [m.name for m in moments(Cursor(stepper), 10)] == [
        "T1", "T2", "Tw", "T3", "T4", "T1", "T2", "Tw", "Tw", "T3"]
    assert [m.name for m in moments(Cursor(sit("ED 57")), 9)][-1] == "internal"


def test_the_machine_stands_still_until_the_instruction_is_left() -> None:
    stepper = sit("32 00 80 00", a=5)
    cursor, before = Cursor(stepper), state(stepper)
    for _ in range(12):
        assert cursor.tick() is None
    assert state(stepper) == before and cursor.inside
    event = cursor.tick()
    assert event is not None and stepper.t == 13 and cursor.offset == 0
    assert stepper.book.byte(0x8000) == 5


def test_cycles_forwards_and_back_meet_each_other() -> None:
    stepper = sit("32 00 80 3A 00 80 00", a=5)
    cursor = Cursor(stepper)
    met = []
    for _ in range(9):
        met.append(cursor.moment())
        cursor.cycle()
    assert [m.kind for m in met] == ["fetch", "read", "read", "write", "fetch", "read", "read",
                                     "read", "fetch"]
    for was in reversed(met):
        assert cursor.back_cycle()
        assert cursor.moment() == was
    assert not cursor.back_cycle()


def test_ticks_back_meet_each_other_and_end_at_power_on() -> None:
    cursor = Cursor(sit("DB 99 00"))
    met = moments(cursor, 13)
    for was in reversed(met):
        assert cursor.back_tick()
        assert cursor.moment() == was
    assert not cursor.back_tick()


def test_a_change_puts_the_cursor_back_to_the_beginning() -> None:
    stepper = sit("3C 00")
    cursor = Cursor(stepper)
    cursor.tick()
    cursor.forget()
    assert not cursor.inside and cursor.moment().name == "T1"
