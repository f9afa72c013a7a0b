"""The backplane's bus: the machine's record, machine cycles, memory map, chain, wires, stops."""
