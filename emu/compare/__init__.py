"""Two runs side by side, or a run beside what was captured on a real board."""
