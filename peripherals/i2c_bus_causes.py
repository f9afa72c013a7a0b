"""The causes of a hang at an I2C bus; i2c_bus_troubles.py finds them."""
from __future__ import annotations

from peripherals.card import BUSY, HALTED_OFF, STUCK, Cause
from peripherals.clock_causes import CLOCK_STOPPED

ENDED = (HALTED_OFF, STUCK, BUSY)

NOBODY_THERE = Cause(
    "i2c-nobody", "An address that nobody on the I2C bus acknowledges",
    "A device is sought for ever, or reads as FFh.",
    "SDA was high in the ninth clock behind an address; with a device that answers it the program "
    "goes on.",
    "Send the seven-bit address shifted left once, with 1 for reading; look at the acknowledge.",
    (),
    when=ENDED, decides=("port",))
MEMORY_BUSY = Cause(
    "i2c-memory-busy", "A serial memory addressed in its write cycle",
    "Every second page is lost, or the program takes the memory for absent.",
    "The memory's address came while it was writing, when it acknowledges nothing; with a write "
    "cycle that is over the program goes on.",
    "Repeat START and the address until it is acknowledged, or wait 5 ms (old parts 10 ms).", (),
    when=ENDED, decides=("port",))
BUS_STUCK = Cause(
    "i2c-stuck", "An I2C bus that something holds low",
    "Nothing on the bus answers any more, often only after a RESET.",
    "SDA or SCL is low although the program lets it go: a device was left in the middle of a byte, "
    "or a line is shorted; with the line free the program goes on.",
    "Let SDA go and give up to nine clocks until it is high, then STOP, at every start.", (),
    when=ENDED, decides=("port",))
STRETCHED = Cause(
    "i2c-stretch", "Clocks lost while a device holds SCL low",
    "It works with some devices, and with others every byte is shifted.",
    "SCL was pulled low again before it had risen, as a device stretched it; with a device that "
    "does not the program goes on.",
    "After letting SCL go, wait until it reads high; the board needs a bit for that.", (),
    when=ENDED, decides=("port",))
PUSHED = Cause(
    "i2c-push-pull", "An I2C data line that the board drives high",
    "No device is ever found, though all are there.",
    "SDA was driven high while a device pulled it low; with an open-drain line the program goes "
    "on.",
    "Let the latch pull SDA only low: a transistor, an open-drain inverter, or a diode.", (),
    when=ENDED, decides=("port",))
TOO_FAST = Cause(
    "i2c-too-fast", "An I2C clock faster than its slowest device",
    "It works at a slow CPU clock, or with a memory alone.",
    "Pulses of SCL were shorter than the slowest device's limit, which does not see them; with "
    "longer ones the program goes on.",
    "Make each half of the clock longer: 4.7 us low and 4.0 us high for 100 kHz parts.", (),
    when=ENDED, decides=("port",))

CAUSES = (PUSHED, BUS_STUCK, STRETCHED, TOO_FAST, MEMORY_BUSY, NOBODY_THERE, CLOCK_STOPPED)
