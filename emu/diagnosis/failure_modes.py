"""The ways in which a backplane machine fails, and which of them this tool can show.

Each entry has a short code of its family (W wiring, I interrupts, S serial, C card storage,
D decode, T timers, N floating inputs, F floppy, B banks and stacks, R ROM and flash, X speed,
P program).  `docs/causes.md` holds the table; the causes say themselves which entries they
cover (`Cause.entries`).
"""
from __future__ import annotations

from dataclasses import dataclass

MODELLED = "modelled"  # the cards and the CPU do it by themselves
FAULT = "by a fault"  # reachable by an injected fault: `by` names the kinds
UNSEEN = "not visible"  # not on a bus, or not on this one: `by` says why


@dataclass(frozen=True)
class Entry:
    """One way to fail."""

    code: str
    title: str
    how: str = MODELLED
    by: str = ""


ENTRIES: tuple[Entry, ...] = (
    Entry("W1", "RAM without supply, or dead", FAULT, "ram-dead"),
    Entry("W2", "a chip or cable the wrong way round", FAULT, "card-silent"),
    Entry("W3", "an address or data line open, shorted or exchanged", FAULT,
          "address-stuck, address-swapped, data-stuck, data-swapped"),
    Entry("W4", "the CPU held in reset", FAULT, "reset-held"),
    Entry("W5", "a faulty or false chip", FAULT, "card-silent"),
    Entry("I1", "a chip without a vector on a mode 2 bus"),
    Entry("I2", "a vector stopped by a bus buffer", FAULT, "vector-blocked"),
    Entry("I3", "the IEI/IEO chain is broken"),
    Entry("I4", "two cards answer one acknowledge", FAULT, "chain-reversed"),
    Entry("I5", "a handler that ends with RET"),
    Entry("I6", "RETI that the cards cannot see", FAULT, "reti-unseen"),
    Entry("I7", "a chain too long to settle in time", FAULT, "chain-reversed"),
    Entry("I8", "vector table or I register wrong"),
    Entry("I9", "an odd vector"),
    Entry("I10", "a request that is never cleared"),
    Entry("I11", "RST 38h again and again"),
    Entry("I12", "the wrong interrupt mode"),
    Entry("S1", "bit times that do not agree"),
    Entry("S2", "handshake lines"),
    Entry("S3", "another serial chip than the program thinks"),
    Entry("S4", "registers at each other's ports"),
    Entry("S5", "transmit interrupts that never begin"),
    Entry("C1", "8-bit mode not set"),
    Entry("C2", "a card slower than its driver waits"),
    Entry("C3", "no card in the socket"),
    Entry("C4", "a card image that cannot boot"),
    Entry("C5", "the same word at every read"),
    Entry("D1", "polling a card that is not there"),
    Entry("D2", "two cards at one port"),
    Entry("D3", "mirrors of a card"),
    Entry("D4", "eight or sixteen address lines decoded"),
    Entry("T1", "no tick"),
    Entry("T2", "the wrong input to a counter"),
    Entry("T3", "ticks lost while interrupts are off"),
    Entry("T4", "a tick counted twice", UNSEEN,
          "it needs a timer whose flag is cleared in two steps; no such card is modelled"),
    Entry("N1", "NMI, BUSREQ, WAIT or INT left open", FAULT,
          "nmi-noise, busreq-held, wait-held, int-low"),
    Entry("N2", "a request that does not pull /INT low", FAULT, "int-open"),
    Entry("F1", "the motor is not up to speed"),
    Entry("F2", "the wrong data rate"),
    Entry("F3", "a polling loop that is too slow"),
    Entry("F4", "an interrupt in a polled sector"),
    Entry("F5", "no terminal count"),
    Entry("F6", "no sense interrupt after a seek"),
    Entry("F7", "the disk-change line"),
    Entry("F8", "an old or a new controller"),
    Entry("B1", "page registers not set after reset"),
    Entry("B2", "code that switches its own page"),
    Entry("B3", "a stack in ROM or in a switched page"),
    Entry("B4", "a stack that runs into a table or code"),
    Entry("B5", "an interrupt while its handler's page is out"),
    Entry("B6", "ROM where RAM is meant"),
    Entry("R1", "a flash write that does not unlock"),
    Entry("R2", "the write-protect jumper"),
    Entry("R3", "an image that is short, shifted, swapped, or missing"),
    Entry("R4", "code run from a flash that is busy"),
    Entry("X1", "memory or cards too slow for the clock", FAULT, "slow-memory, slow-io"),
    Entry("X2", "WAIT that comes too late", FAULT, "wait-ignored, slow-io"),
    Entry("P1", "DI and then HALT"),
    Entry("P2", "EI in the wrong place"),
    Entry("P3", "the LD A,I trap"),
    Entry("P4", "an interrupt in a block instruction"),
    Entry("P5", "registers that a handler does not save"),
    Entry("P6", "NMI noise, or an NMI handler without RETN", FAULT, "nmi-noise"),
    Entry("P7", "a stray first character after power-up", UNSEEN,
          "the terminals send nothing by themselves; type it with --send to try it"),
)
