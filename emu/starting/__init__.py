"""Start a builder's own project: a folder with a machine, tests and a CI example."""
