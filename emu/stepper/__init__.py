"""Sit at a machine: step it forwards and backwards, stop it, look into it, change it."""
