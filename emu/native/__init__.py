"""Machine code for the hot modules: marked, compiled in processes of their own, cached, loaded."""
