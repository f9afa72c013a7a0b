"""What went wrong first: a run done again beside a shadow of its memory and of its rules."""
