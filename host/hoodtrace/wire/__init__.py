"""The wire: bytes become lines, lines become samples. Knows nothing of air."""
