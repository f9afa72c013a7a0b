"""Tests of the gauge head's driver, on the simulated machine of machine.toml."""
import pytest

from emu.testing import u8, u16

pytestmark = pytest.mark.backplane("machine.toml", until=">")

TELEGRAM = 0x9000  # free RAM


def test_it_boots_and_shows_the_level(rig):
    assert rig.console == "0>"
    assert rig.port(0x30).last_written == 0x15


@pytest.mark.parametrize(("data", "check"), [(b"", 0), (b"\x01\x02", 3), (b"\xff\x01", 1)])
def test_check_byte(rig, data, check):
    rig.poke(TELEGRAM, data)
    done = rig.call("check_byte", u16(TELEGRAM), u8(len(data)), returns="u8")
    assert done.value == check


def test_a_good_telegram_is_taken(rig):
    rig.poke(TELEGRAM, b"\xd2\x04\xd6")
    assert rig.call("take", TELEGRAM, returns="u8").value == 1
    assert rig.word("level") == 1234


def test_a_bad_telegram_leaves_the_level_alone(rig):
    rig.poke(TELEGRAM, b"\xd2\x04\x00")
    done = rig.call("take", TELEGRAM, returns="u8", budget=5_000)
    assert done.value == 0 and rig.word("level") == 0
    assert done.stack_bytes <= 16


def test_decimal_goes_out_on_the_line(rig):
    rig.call("put_decimal", 40517)
    rig.run(0.002)  # the last character is still on the line
    assert rig.console == "0>40517"
