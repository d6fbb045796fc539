"""Draws the picture of the README anew: the first page of the report of the demo's house, seed 5.

python tests/browser/readme_picture.py
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

from hoodtrace.reporting.report import png_pages
from hoodtrace.reporting.report_words import Options

COMMAND = [sys.executable, "-c", "from hoodtrace.cli.app import main; main()"]
PICTURE = Path(__file__).parents[2] / ".pictures" / "report.png"


def main() -> None:
    """Run the demo, draw, write."""
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made) / "demo"
        subprocess.run([*COMMAND, "demo", str(folder), "--seed", "5"], check=True, stdout=subprocess.DEVNULL)
        PICTURE.parent.mkdir(exist_ok=True)
        PICTURE.write_bytes(png_pages(folder, Options(), None, 96.0)[0])


if __name__ == "__main__":
    main()
