"""Files of the user: read with limits, written atomically; images, symbols, source lines."""
