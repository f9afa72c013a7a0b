"""One run of a machine: its console, its script, its inputs, and how it is done again."""
