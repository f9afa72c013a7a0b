"""Let ``python -m emu.cli`` run the commands."""
from emu.cli import main

main()
