"""What the server runs for every page. The demo's pictures are there in a checkout only."""

from pathlib import Path

from tillerlens.ui.app import run

run(Path(__file__).parents[2] / "samples")
