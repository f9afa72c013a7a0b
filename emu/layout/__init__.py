"""A machine's wiring on one page: what stands where, before there is a ROM, as several kinds of
text, and what a run touched of it."""
