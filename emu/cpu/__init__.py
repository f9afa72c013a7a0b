"""The Z80: registers, instruction set and interrupt entry."""
