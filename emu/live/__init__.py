"""The live console: the user's own terminal at a machine that runs in real time."""
