"""A machine built from a description: run it, copy it, name its addresses."""
