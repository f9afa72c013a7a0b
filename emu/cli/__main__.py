"""Let ``python -m emu.cli`` run the commands."""
from emu.cli import main

if __name__ == "__main__":  # the processes of a sweep import this file under another name
    main()
