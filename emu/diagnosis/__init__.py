"""Say why a run came to its end."""
