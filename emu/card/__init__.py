"""What a card is: the contract, what it needs in time, its rates, cards in plain Python."""
