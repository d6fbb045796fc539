"""The house: plan, journal, visit folder."""
