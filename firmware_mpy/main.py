"""Runs when the board gets power. Ctrl-C ends it and gives the prompt, which is how new files get in."""

import app

app.run()
