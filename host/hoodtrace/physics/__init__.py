"""The hood's physics: numpy arrays in, numpy arrays out; each formula with its source."""
