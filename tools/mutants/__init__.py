"""A corpus of mutants: healthy programs with ONE mistake each, whose truth is known by making it.

``kernel`` reads a healthy program of roms/kernels/; the operators in ``assembly``,
``assembly_data``, ``csource``, ``linking``, ``burning``, ``wiring``, ``fitted`` and ``electrical``,
and the rows of each program's sites.toml (``sites``), make its mutants; ``labels`` says which
causes answer a mistake; ``build`` makes a mutant in a folder of its own; ``boots`` runs it as a
builder does; ``judge`` holds the answer against the label; ``measure`` does all that for one,
``runner`` for many; ``corpus`` puts them together, ``figures`` counts, ``page`` writes.
"""
