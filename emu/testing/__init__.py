"""Test ROMs and drivers with pytest: `Rig`, a machine on the bench; see docs/testing.md."""
from emu.testing.calling import Called
from emu.testing.conventions import u8, u16, u32
from emu.testing.rig import PortUse, Rig

__all__ = ["Called", "PortUse", "Rig", "u8", "u16", "u32"]
