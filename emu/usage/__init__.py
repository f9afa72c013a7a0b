"""What a run used: which instructions and branches ran, and where the time went."""
