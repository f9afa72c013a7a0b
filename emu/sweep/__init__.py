"""One image over many machines, or many images over one: a table of verdicts."""
