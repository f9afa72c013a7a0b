"""Known-good runs: record one, hold another against it, compare two, sweep over many."""
