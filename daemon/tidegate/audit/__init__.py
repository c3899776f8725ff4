"""What a cycle log says of one station: numbers that can be computed again from it."""
