"""The instruction set as data: disassembly, and what an instruction reads and changes."""
