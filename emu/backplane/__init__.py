"""The backplane file: read, checked, held against the cards, compared with another."""
