"""The machine of preburn: CPU, bus, memory map, chain, clocks, logs and diagnosis."""
