"""The commands of a CompactFlash card that move no data.

From memory of the CF manual: standby and sleep differ in nothing that a program sees, any
command that needs the medium ends them, and CHECK POWER MODE then gives 00h; the extended
error codes; SET MULTIPLE with count 0 turns the multiple commands off.
"""
from __future__ import annotations

import numpy as np

from emu.native.jit import compiled, inlined
from peripherals.compactflash_identity import put_word
from peripherals.compactflash_sectors import (
    ABRT,
    DIAGNOSED,
    IDNF,
    STATE,
    UNC,
    done,
    is_bad,
    place,
    signature,
    step_on,
)

__all__ = ["STATE", "set_translation", "without_data"]
FEATURES, DIAGNOSE, PARAMETERS, SET_MULTIPLE, SENSE = 0xEF, 0x90, 0x91, 0xC6, 0x03
EIGHT_ON, EIGHT_OFF, KEEP, DROP = 0x01, 0x81, 0x66, 0xCC


@inlined
def checks(command):
    """Tell whether a command goes through sectors and moves no data: verify, erase."""
    return command == 0x40 or command == 0x41 or command == 0xC0


@inlined
def power(command):
    """Give what a power command makes of the card: 1 at rest, 0 not, -1 another command."""
    if (command == 0x94 or command == 0x96 or command == 0x99 or command == 0xE0
            or command == 0xE2 or command == 0xE6):
        return np.int64(1)
    if command == 0x95 or command == 0x97 or command == 0xE1 or command == 0xE3:
        return np.int64(0)
    return np.int64(-1)


@compiled
def set_features(s):
    """Run SET FEATURES: the error, 0 for none.  The list is that of CF 1.4."""
    f = s.features
    if f == EIGHT_ON:
        s.eight = 1
        s.eight_asked += 1
    elif f == EIGHT_OFF:
        s.eight = 0
    elif f == KEEP or f == DROP:
        s.keeps = 1 if f == KEEP else 0
    elif f != 0x0A and f != 0x55 and f != 0x69 and f != 0x8A and f != 0x96 and f != 0x97 \
            and f != 0x9A and f != 0xBB:
        return np.int64(ABRT)
    return np.int64(0)


@compiled
def set_translation(s):
    """Run INITIALIZE DRIVE PARAMETERS: heads and sectors a track of CHS addresses."""
    if s.count == 0:
        return np.int64(ABRT)
    s.heads = (s.head & 15) + 1
    s.sectors = s.count
    cylinders = min(s.total // (s.heads * s.sectors), 65535)
    capacity = cylinders * s.heads * s.sectors
    put_word(s, 54, cylinders)
    put_word(s, 55, s.heads)
    put_word(s, 56, s.sectors)
    put_word(s, 57, capacity & 0xFFFF)
    put_word(s, 58, capacity >> 16)
    return np.int64(0)


@compiled
def go_through(s, command):
    """Run VERIFY or ERASE: the registers stop at the first sector that fails."""
    s.left = s.count if s.count != 0 else np.int64(256)
    while True:
        sector = place(s)
        if sector < 0:
            return np.int64(IDNF)
        if command != 0xC0 and is_bad(s, sector):
            return np.int64(UNC)
        done(s)
        if s.left == 0:
            return np.int64(0)
        step_on(s)


@compiled
def set_multiple(s):
    """Run SET MULTIPLE MODE: one sector a block, or none."""
    s.multiple = 1 if s.count == 1 else 0
    return np.int64(0) if s.count <= 1 else np.int64(ABRT)


@compiled
def about_power(s, command):
    """Run a power command, or tell with which state CHECK POWER MODE answers."""
    state = power(command)
    if state < 0:
        s.count = 0 if s.resting == 1 else 0xFF
    else:
        s.resting = state
    return np.int64(0)


@compiled
def without_data(s, command):
    """Run a command that moves no data: the error, 0 for none."""
    if command == FEATURES:
        return set_features(s)
    if command == PARAMETERS:
        return set_translation(s)
    if command == SET_MULTIPLE:
        return set_multiple(s)
    if command == 0xE5 or command == 0x98 or power(command) >= 0:
        return about_power(s, command)
    if command == DIAGNOSE:
        signature(s)
        s.sense = DIAGNOSED
    elif command == SENSE:
        s.error = s.sense
    elif checks(command):
        s.resting = 0
        return go_through(s, command)
    elif (command & 0xF0) == 0x70:  # seek
        s.resting = 0
        return np.int64(IDNF) if place(s) < 0 else np.int64(0)
    elif (command & 0xF0) != 0x10 and command != 0xE7:  # recalibrate, flush
        return np.int64(ABRT)
    return np.int64(0)
