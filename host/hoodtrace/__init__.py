"""hoodtrace: from the pulses of a home-made capture hood to terminal air flows that can be trusted."""

__version__ = "0.1.0"
