"""The shell towards the board: link, recorder, and the virtual board."""
