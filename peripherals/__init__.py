"""The cards that can stand in a backplane: one file a card."""
