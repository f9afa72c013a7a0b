"""Before burning: all that can be told of an image on its machine, and go or no-go."""
