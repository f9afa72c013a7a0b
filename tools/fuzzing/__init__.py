"""Hostile inputs: made from seeds, run in bounds, made small when one of them breaks something."""
