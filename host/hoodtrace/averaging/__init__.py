"""From samples to readings: holds, plateaus, the honest mean, the budget."""
