"""Ways to write down what a run did."""
