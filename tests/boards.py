"""The head of a backplane file that many tests put one card behind."""
from __future__ import annotations

CPU_AND_MEMORY = """
[slot.cpu]
card = "z80-cpu"
clock = "6.144 MHz"
[slot.memory]
card = "plain-memory"
image = "p.bin"
"""
